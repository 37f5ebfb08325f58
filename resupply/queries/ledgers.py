"""Several small ledgers read in one query: a UNION of columns that they have in common under their own names.

Each query has a price of its own, and a plan is refreshed within every write.
"""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple, TypeVar

from django.db.models import BigIntegerField, CharField, DateField, F, Model, QuerySet, Value
from django.db.models.functions import Cast


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


M = TypeVar("M", bound=Model)
Part = QuerySet[Model, tuple[object, ...]]
"""The rows of one ledger, ready to be read together with others."""

_ABSENT = {
    "owner": Cast(Value(None), BigIntegerField()),
    "on": Cast(Value(None), DateField()),
    "until": Cast(Value(None), DateField()),
    "word": Value("", CharField()),
    "name": Value("", CharField()),
    "unit": Value("", CharField()),
    "periods": Cast(Value(None), BigIntegerField()),
    "number": Cast(Value(None), BigIntegerField()),
    "other": Cast(Value(None), BigIntegerField()),
}


def part(ledger: str | F, rows: QuerySet[M], **columns: str) -> Part:
    """The rows of one ledger: `columns` names its column for each field of an entry that it has."""
    named = Value(ledger, CharField()) if isinstance(ledger, str) else ledger
    given = [F(columns[field]) if field in columns else absent for field, absent in _ABSENT.items()]
    return rows.order_by().values_list(named, F("pk"), *given)


def read(parts: Sequence[Part]) -> dict[str, list[Entry]]:
    """All entries by ledger, in the order of recording. One query."""
    first, *others = parts
    found: dict[str, list[Entry]] = defaultdict(list)
    for row in first.union(*others, all=True):
        entry = Entry._make(row)
        found[entry.ledger].append(entry)
    for entries in found.values():
        entries.sort(key=lambda entry: entry.id)
    return found
