"""Private servers for the tests: PostgreSQL and a Redis-compatible server, started once, stopped at the end.

Where DATABASE_URL or REDIS_URL are set, those are used. `pytest --confcutdir tests/rules tests/rules` leaves
this file out and runs the tests of the rules with neither Django nor servers.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import tests.profiles  # noqa: F401 - chooses how thoroughly Hypothesis tries
from clinic.servers import DATABASE_NAME

if TYPE_CHECKING:
    from tests.cast import Cast

RUN_FOLDER = "EVENKEEP_TEST_RUN"
IS_OWNER = RUN_FOLDER not in os.environ  # xdist's workers inherit the folder of the process that started them


def pytest_configure(config: pytest.Config) -> None:
    """Point the settings at the run's own folder, before anything reads them."""
    if IS_OWNER:
        run = Path(tempfile.mkdtemp(prefix="evenkeep-", dir="/tmp"))
        run.chmod(0o755)
        os.environ[RUN_FOLDER] = str(run)
        os.environ.update(
            DJANGO_SETTINGS_MODULE="clinic.settings",
            DEMO="1",
            STATIC_FROM_SOURCE="1",
            VAR_DIR=str(run),
            LOG_LEVEL="WARNING",
        )
        if "REDIS_URL" not in os.environ:
            from clinic.servers import free_port

            os.environ["REDIS_URL"] = f"redis://127.0.0.1:{free_port()}/0"
            os.environ["EVENKEEP_TEST_REDIS"] = "private"
        os.environ.pop("EMAIL_URL", None)
    import django
    from django.conf import settings

    if not IS_OWNER and os.environ.get("EVENKEEP_TEST_REDIS") == "private":
        # Each of xdist's workers empties a cache of its own. The settings are read by now: pytest-django
        # reads them before any conftest where the environment names them, as a worker's does.
        number = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
        os.environ["CACHE_URL"] = f"{os.environ['REDIS_URL'].rsplit('/', 1)[0]}/{2 + number % 14}"
        settings.CACHES["default"]["LOCATION"] = os.environ["CACHE_URL"]
    django.setup()
    from tests import emptying

    emptying.install()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long tests come first: begun last, one would keep a process busy while the other has nothing to do."""
    items.sort(key=lambda item: item.get_closest_marker("long") is None)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop what this run started and remove its folder."""
    if not IS_OWNER or RUN_FOLDER not in os.environ:
        return
    from clinic import servers

    run = Path(os.environ.pop(RUN_FOLDER))
    servers.stop_postgres(run / "postgres")
    servers.stop_redis(run / "redis")
    shutil.rmtree(run, ignore_errors=True)


@pytest.fixture(scope="session")
def servers() -> None:
    """PostgreSQL and Redis are up: started by the first process that asks, shared by all."""
    from fasteners import InterProcessLock

    from clinic import servers
    from tests import prepared

    run = Path(os.environ[RUN_FOLDER])
    with InterProcessLock(str(run / "lock")):
        if "DATABASE_URL" not in os.environ and not (run / "postgres").exists():
            prepared.start(run / "postgres")
        if os.environ.get("EVENKEEP_TEST_REDIS") == "private":
            servers.start_redis(run / "redis", port=int(os.environ["REDIS_URL"].split(":")[2].split("/")[0]))


@pytest.fixture(scope="session")
def django_db_modify_db_settings(servers: None, django_db_modify_db_settings_parallel_suffix: None) -> None:
    """The first test that needs a database starts the servers; each worker gets a database of its own.

    On the private server it is a copy of one that is migrated already.
    """
    if "DATABASE_URL" not in os.environ:
        from django.conf import settings

        settings.DATABASES["default"].setdefault("TEST", {})["TEMPLATE"] = DATABASE_NAME


@pytest.fixture
def cast(db: None) -> "Cast":
    """The named cast: two patients, one person of each role, one outsider."""
    from tests.cast import make_cast  # models can be imported only once the settings are loaded

    return make_cast()


@pytest.fixture(autouse=True)
def _empty_cache(request: pytest.FixtureRequest) -> Iterator[None]:
    """No test sees what another cached."""
    yield
    if "servers" in request.fixturenames:
        from django.core.cache import cache

        cache.clear()
