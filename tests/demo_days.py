"""The demo clinic of a day: loaded once in a run, into a database that all tests of that day look at.

Loading takes seconds, and dozens of tests look at three days. Each test's own writes are undone at its end.
"""

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Protocol

import pytest
from django.db import connection, transaction
from fasteners import InterProcessLock

from clinic.servers import DATABASE_NAME
from tests.conftest import RUN_FOLDER

USUAL, AUTUMN, LEAP = date(2026, 3, 18), date(2026, 11, 25), date(2028, 2, 29)
DAYS = [USUAL, AUTUMN, LEAP]
"""The suite's day, one in each half of the year, and one on which a month ends that few calendars have."""


class DemoOn(Protocol):
    """Opens the demo clinic of a day, to the end of the test or the next call; `again`: one loaded anew."""

    def __call__(self, day: date, *, again: bool = False) -> None: ...


def midday(day: date) -> datetime:
    """Noon in the clinic's rooms, or about."""
    return datetime(day.year, day.month, day.day, 18, tzinfo=UTC)


def load(day: date) -> None:
    """Load the demo clinic of `day` into the database at hand."""
    from resupply.services import demo  # models can be imported only once the settings are loaded

    demo.load(today=day, now=midday(day))


@pytest.fixture
def demo_on(django_db_setup: None, django_db_blocker: Any) -> Iterator[DemoOn]:
    """A test that has the database by this alone, without the mark `django_db`."""
    with ExitStack() as opened:

        def open_day(day: date, *, again: bool = False) -> None:
            opened.close()
            opened.enter_context(django_db_blocker.unblock())
            if "DATABASE_URL" in os.environ:  # a server that is not ours: no database is added to it
                opened.enter_context(_undone())
                load(day)
            else:
                opened.enter_context(served_from(_database_of(day, "_again" if again else "")))
                opened.enter_context(_undone())

        yield open_day


def _database_of(day: date, sort: str) -> str:
    """The name of the day's database, made from the migrated one by who comes first."""
    name = f"demo_{day:%Y%m%d}{sort}"
    done = Path(os.environ[RUN_FOLDER]) / name
    with InterProcessLock(f"{done}.lock"):
        if not done.exists():
            with connection._nodb_cursor() as cursor:  # type: ignore[attr-defined]
                cursor.execute(f"CREATE DATABASE {name} TEMPLATE {DATABASE_NAME}")
            with served_from(name):
                load(day)
            done.touch()
    return name


@contextmanager
def _undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextmanager
def served_from(name: str) -> Iterator[None]:
    """The site with another database, as with another DATABASE_URL."""
    before = connection.settings_dict["NAME"]
    connection.close()
    connection.settings_dict["NAME"] = name
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict["NAME"] = before
