# The commands of the project. `make` alone lists them.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
# The tools that read the settings (mypy, makemigrations --check) need no database and no secret.
TOOLS := DEMO=1 PYTHONDONTWRITEBYTECODE=1

.PHONY: help setup run test check test-deep lock format
help: ## list the commands
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 14

setup: $(STAMP) ## make .venv with every package, hash-checked

$(STAMP): requirements-dev.lock
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing the locked packages into $(VENV) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	@touch $@

run: setup ## start a whole demo clinic on this machine
	@DEMO=1 exec $(BIN)/python -m clinic.run

test: setup ## run the tests
	@$(BIN)/python -m pytest -n 2

format: setup ## format the code
	@$(BIN)/ruff format . && $(BIN)/ruff check --fix .
