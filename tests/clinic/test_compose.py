"""docker-compose.yml starts what `make run` starts, and nothing in it is insecure by default."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from clinic.processes import MIGRATE, OPTIONAL_VARIABLES, PROCESSES, REQUIRED_VARIABLES, Process

ROOT = Path(__file__).resolve().parents[2]
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
ADDRESSES = {"GRANIAN_HOST", "GRANIAN_PORT"}  # `make run` sets these two itself: loopback and a free port

by_name = pytest.mark.parametrize("process", PROCESSES, ids=lambda process: process.name)


@by_name
def test_the_command_is_the_one_of_make_run(process: Process) -> None:
    assert tuple(SERVICES[process.name]["command"]) == process.command


@by_name
def test_the_health_check_is_the_one_of_the_table(process: Process) -> None:
    assert SERVICES[process.name]["healthcheck"]["test"] == ["CMD", *process.health]


@by_name
def test_the_variables_are_those_of_the_table(process: Process) -> None:
    given = SERVICES[process.name]["environment"]
    own = {
        name: value for name, value in given.items() if name not in {*COMPOSE["x-environment"], *ADDRESSES}
    }
    assert own == process.environment
    assert {*REQUIRED_VARIABLES, *OPTIONAL_VARIABLES} <= set(given)


def test_the_services_are_the_processes_and_their_servers_and_no_others() -> None:
    ours = {name for name, service in SERVICES.items() if service.get("build") == "."}
    assert ours == {process.name for process in PROCESSES} | {"migrate", "mail"}
    assert set(SERVICES) - ours == {"postgres", "broker", "cache"}


def test_migrations_run_once_and_before_the_rest() -> None:
    assert tuple(SERVICES["migrate"]["command"]) == MIGRATE
    assert SERVICES["migrate"]["restart"] == "no"
    for process in PROCESSES:
        waits_for = SERVICES[process.name]["depends_on"]["migrate"]
        assert waits_for == {"condition": "service_completed_successfully"}


def test_every_secret_and_address_must_be_set() -> None:
    secret = {
        "SECRET_KEY",
        "DATA_KEYS",
        "INDEX_KEY",
        "POSTGRES_PASSWORD",
        "BROKER_PASSWORD",
        "CACHE_PASSWORD",
    }
    text = (ROOT / "docker-compose.yml").read_text()
    for name, how in re.findall(r"\$\{(\w+)([^}]*)\}", text):
        assert how.startswith(":?") or name in OPTIONAL_VARIABLES, name
        secret.discard(name)
    assert not secret, "a secret the file no longer asks for"
    assert "DEMO" not in text.replace("DEMO=1 python", "")


def test_broker_and_cache_are_two_servers() -> None:
    environment = COMPOSE["x-environment"]
    assert environment["REDIS_URL"].endswith("@broker:6379/0")
    assert environment["CACHE_URL"].endswith("@cache:6379/0")
    assert "noeviction" in SERVICES["broker"]["command"]


def test_only_the_web_service_is_published_and_only_on_this_machine() -> None:
    published = {name: service["ports"] for name, service in SERVICES.items() if "ports" in service}
    assert published == {"web": ["127.0.0.1:8000:8000"]}
    assert COMPOSE["networks"]["inside"] == {"internal": True}


def test_the_mail_catcher_is_for_trials_only() -> None:
    assert SERVICES["mail"]["profiles"] == ["trial"]


def test_every_long_running_service_has_a_health_check() -> None:
    assert {name for name, service in SERVICES.items() if "healthcheck" not in service} == {"migrate"}


def test_the_image_runs_as_an_ordinary_user_and_holds_only_what_it_needs() -> None:
    dockerfile = (ROOT / "Dockerfile").read_text()
    assert re.search(r"^USER evenkeep$", dockerfile, re.M)
    copied = set(re.findall(r"^COPY (?!--from)(\S+)", dockerfile, re.M))
    allowed = {
        line.lstrip("!") for line in (ROOT / ".dockerignore").read_text().splitlines() if line[:1] == "!"
    }
    assert copied == allowed
    assert "--require-hashes" in dockerfile
