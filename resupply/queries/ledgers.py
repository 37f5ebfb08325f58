"""Several small ledgers read in one query: a UNION of what they have in common, under common names.

Each query has a price of its own, and a plan is refreshed within every write. The SQL is put together once
for each set of ledgers: to compose such a UNION takes Django five times as long as PostgreSQL to answer it.
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from functools import cache
from typing import NamedTuple

from django.db import connection, models

from resupply.models import Voidable
from resupply.queries.as_known import Marks, changes_of, versions_sql


class Entry(NamedTuple):
    """A row of any ledger; what a ledger does not have is None, or empty for a word."""

    ledger: str
    id: int
    owner: int | None
    on: date
    until: date | None
    word: str
    name: str
    unit: str
    periods: int
    number: int
    other: int


class Change(NamedTuple):
    """One ledger otherwise than it stands: with an entry more, or without one of its entries."""

    ledger: str
    entry: Entry | None = None
    without: int | None = None


class Whose(StrEnum):
    """Which rows of a ledger are wanted, as the condition on `patient_id`."""

    ALL = "TRUE"
    CLINIC = "patient_id IS NULL"
    PATIENTS = "patient_id = ANY(%(patients)s)"
    BOTH = "(patient_id IS NULL OR patient_id = ANY(%(patients)s))"


@dataclass(frozen=True, slots=True)
class Ledger:
    """One table: `columns` pairs the fields of an entry with the columns they are read from.

    An entry's `ledger` is the table's name here, or what stands in the column of that name (`named_by`).
    """

    name: str
    model: type[models.Model]
    columns: tuple[tuple[str, str], ...]
    whose: Whose = Whose.ALL
    named_by: str = ""


_ABSENT = {"until": "NULL::date", "on": "NULL::date", "word": "''", "name": "''", "unit": "''"}


def read(
    *ledgers: Ledger,
    patients: Collection[int] = (),
    known_at: datetime | None = None,
    marks: Marks | None = None,
) -> dict[str, list[Entry]]:
    """Entries by ledger in the order of recording, as known at a moment (None: now), or as change history
    had them at `marks` (see `as_known`). One query.
    """
    found: dict[str, list[Entry]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(
            _union(ledgers, known_at is not None, marks is not None),
            {"patients": list(patients), "known_at": known_at, **(marks or {})},
        )
        for entry in map(Entry._make, cursor.fetchall()):
            found[entry.ledger].append(entry)
    for entries in found.values():
        entries.sort(key=lambda entry: entry.id)
    return found


def known(table: str, *, at_a_moment: bool) -> str:
    """The condition on a table's records that `known_at` of their querysets says."""
    if not at_a_moment:
        return f"{table}.voided_at IS NULL"
    by_then = f"({table}.voided_at IS NULL OR {table}.voided_at > %(known_at)s)"
    return f"{by_then} AND {table}.recorded_at <= %(known_at)s"


@cache
def _union(ledgers: tuple[Ledger, ...], at_a_moment: bool, at_marks: bool) -> str:
    return " UNION ALL ".join(_select(ledger, at_a_moment, at_marks) for ledger in ledgers)


def _select(ledger: Ledger, at_a_moment: bool, at_marks: bool) -> str:
    columns = dict(ledger.columns)
    shown = [columns.get(field, _ABSENT.get(field, "NULL::bigint")) for field in Entry._fields[2:]]
    where = ledger.whose.value
    if issubclass(ledger.model, Voidable):
        where += f" AND {known('ledger', at_a_moment=at_a_moment)}"
    name = ledger.named_by or f"'{ledger.name}'"
    table = ledger.model._meta.db_table
    if at_marks:
        table = versions_sql(table, changes_of(ledger.model)._meta.db_table, ledger.whose.value)
    # Names and conditions of this file and `facts.py`; values travel as parameters.
    return f"SELECT {name}, id, {', '.join(shown)} FROM {table} ledger WHERE {where}"  # noqa: S608
