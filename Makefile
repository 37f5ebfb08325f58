# The commands of the project. `make` alone lists them.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
RULES := --confcutdir=tests/rules -p no:django tests/rules

.PHONY: help setup run test test-deep test-faults bench pictures check format lock
help: ## list the commands
	@sed -nE 's/^([a-z-]+):.*## (.*)/\1\t\2/p' Makefile | expand -t 12

setup: $(STAMP) ## make .venv with every package, each checked against its hash

$(STAMP): requirements-dev.lock
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing the locked packages into $(VENV) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	@touch $@

run: setup ## open a whole demo clinic on this machine; Ctrl-C closes it
	@DEMO=1 $(BIN)/python -m clinic.run

test: setup ## run the tests, with private servers and a real browser
	@$(BIN)/python -m pytest -n 3

test-deep: setup ## laws of the rules on 10,000 cases each, then a mutation tester over the rules
	@HYPOTHESIS_PROFILE=deep $(BIN)/python -m pytest -n 2 $(RULES)
	@$(BIN)/python -m tests.mutation

REMINDERS ?= 5000
test-faults: setup ## break every part that sends reminders, in turn and at random, and count: minutes; SEED=, REMINDERS=, ONLY=
	@$(BIN)/python -m tests.faults --reminders $(REMINDERS) $(if $(SEED),--seed $(SEED)) $(if $(ONLY),"$(ONLY)")

SIZE ?= small
bench: setup ## measure against the limits; SIZE=full takes a million patients (4 GB under var/), ONLY=search one subject
	@$(BIN)/python -m benchmarks --size $(SIZE) $(ONLY)

pictures: setup ## every page as every role, photographed and timed: minutes; README=1 those of the README alone, ROLES=, ONLY=, SPEED=1
	@$(BIN)/python -m pictures $(if $(README),--readme) $(if $(ROLES),--roles $(ROLES)) $(if $(ONLY),--only "$(ONLY)") \
		$(if $(SPEED),--speed)

# What a deployment would set; the check looks at the settings only and opens none of it.
DEPLOYMENT := env -u DEMO SECRET_KEY=only-for-this-check-0123456789-abcdefghijklmnopqrstuvwxyz CLINIC_NAME=check \
	PUBLIC_URL=https://check.example ALLOWED_HOSTS=check.example DATABASE_URL=postgresql://check@check.example/check \
	REDIS_URL=redis://broker.example/0 CACHE_URL=redis://cache.example/0 EMAIL_URL=smtp://mail.example:587?starttls=1 \
	MAIL_FROM=desk@check.example DATA_KEYS=b25seSBmb3IgdGhpcyBjaGVjaywgMzIgYnl0ZXMgISE= INDEX_KEY=b25seSBmb3IgdGhpcyBjaGVjaywgMzIgYnl0ZXMgISE=
check: export DEMO = 1
check: setup ## format, lint, types, arrows, templates, migrations, deployment settings, locks
	@set -e; $(BIN)/mypy & types=$$!; trap 'kill $$types 2>/dev/null || :' EXIT; \
	$(BIN)/ruff format --check .; \
	$(BIN)/ruff check .; \
	$(BIN)/lint-imports --no-logo; \
	$(BIN)/djlint --lint --quiet templates; \
	$(BIN)/python -W ignore::RuntimeWarning manage.py makemigrations --check --dry-run; \
	$(DEPLOYMENT) $(BIN)/python -W ignore::RuntimeWarning manage.py check --deploy --fail-level WARNING; \
	if grep -nE '://|^--[a-z]' requirements.lock requirements-dev.lock; then exit 1; fi; \
	wait $$types
	@echo "All checks passed."

format: setup ## format the code
	@$(BIN)/ruff format . && $(BIN)/ruff check --fix .

# uv writes one lock for Python 3.11 to 3.13 (packages that only some need carry a marker) without addresses.
LOCK := var/lock/bin/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate \
	--no-header --upgrade
lock: ## renew both lock files from pyproject.toml
	@test -x var/lock/bin/uv || ($(PYTHON) -m venv var/lock && var/lock/bin/pip install --quiet uv)
	@$(LOCK) -o requirements.lock pyproject.toml
	@$(LOCK) -c requirements.lock --extra local --extra dev -o requirements-dev.lock pyproject.toml
