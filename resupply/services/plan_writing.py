"""Stored rows of plans made equal to those wanted: only what differs is written, many rows by COPY.

Wanted rows are plain tuples, not models: a refresh happens within every write, a rebuild makes millions of
them, and an object of Django's takes longer to make than its dates to work out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.db import connection, models

from resupply.models import PlanChecklist, PlanLine, PlanState
from resupply.queries.editions import Editions
from resupply.queries.planned import MARKS, Stored, Values, contents

MANY = 100
"""From so many rows on COPY into a table for the moment beats a statement that holds them."""
Row = PlanLine | PlanChecklist | PlanState


@dataclass(slots=True)
class Wanted:
    """A row as it should stand: what it says, in the order of `contents` of its model, and the editions from
    which and until which it is shown (None: ever).
    """

    says: Values
    begins: int | None = None
    until: int | None = None


def store(
    wanted: Sequence[Wanted],
    stored: Iterable[Stored],
    key: Sequence[str],
    present: Editions,
    *,
    model: type[Row],
) -> int:
    """Make the stored rows equal to `wanted`; returns how many were written.

    A row keeps its number as long as it is shown: pages go on from it.
    """
    columns = contents(model)
    old = _Stored(stored, [columns.index(name) for name in key], present)
    rows: models.Manager[models.Model] = getattr(model, "stored", model._default_manager)
    changed: list[Wanted] = []
    ends: dict[int | None, list[int]] = {}
    for row in wanted:
        found = old.take(row.says, is_ahead=row.begins is not None)
        if found is not None and found[2] != row.until:
            ends.setdefault(row.until, []).append(found[0])
        if found is None or found[3] != row.says:
            changed.append(row)
    if gone := old.rest():
        rows.filter(pk__in=gone).delete()
    for until, pks in ends.items():
        rows.filter(pk__in=pks).update(**{MARKS[1]: until})
    if changed:
        _write(_Upsert.of(model, tuple(key)), changed)
    return len(changed) + len(gone) + sum(map(len, ends.values()))


@dataclass(frozen=True, slots=True)
class _Upsert:
    """How rows of a model are written over those that are the same: SQL of our own names."""

    table: str
    names: tuple[str, ...]
    is_marked: bool
    before: str
    after: str

    @classmethod
    @cache
    def of(cls, model: type[models.Model], key: tuple[str, ...]) -> "_Upsert":
        """The key says which row is the same one, of those shown until the same edition."""
        marks = [mark for mark in MARKS if hasattr(model, mark)]
        names = (*contents(model), *marks)
        same = [*key, *marks[1:]]
        taken = [name for name in names if name not in same]
        sets = ", ".join(f"{_quoted([name])} = EXCLUDED.{_quoted([name])}" for name in taken)
        table = model._meta.db_table
        return cls(
            table,
            names,
            bool(marks),
            f"INSERT INTO {table} ({_quoted(names)})",
            f"ON CONFLICT ({_quoted(same)}) DO UPDATE SET {sets}",
        )

    def values(self, row: Wanted) -> Values:
        """A row in the order of `names`."""
        return (*row.says, row.begins, row.until) if self.is_marked else row.says


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _write(how: _Upsert, rows: Sequence[Wanted]) -> None:
    """In SQL: a refresh happens within every write, and Django took longer to compose one row of many columns
    than PostgreSQL to store it.
    """
    if len(rows) >= MANY:
        _copy(how, rows)
        return
    row = f"({', '.join(['%s'] * len(how.names))})"
    said: list[Any] = [value for one in rows for value in how.values(one)]
    with connection.cursor() as cursor:
        cursor.execute(f"{how.before} VALUES {', '.join([row] * len(rows))} {how.after}", said)


def _copy(how: _Upsert, rows: Sequence[Wanted]) -> None:
    """Many rows by way of a table for the moment."""
    columns, incoming = _quoted(how.names), f"incoming_{how.table}"
    with connection.cursor() as cursor:
        cursor.execute(
            f"CREATE TEMPORARY TABLE {incoming} AS SELECT {columns} FROM {how.table} WITH NO DATA"  # noqa: S608
        )
        with cursor.copy(f"COPY {incoming} ({columns}) FROM STDIN") as lines:
            for row in rows:
                lines.write_row(how.values(row))
        cursor.execute(f"{how.before} SELECT {columns} FROM {incoming} {how.after}")  # noqa: S608
        cursor.execute(f"DROP TABLE {incoming}")


class _Stored:
    """Stored rows of some patients, by key and by whether the present edition shows them or the staged one.
    What an edition before left behind, or one that was given up, is taken by nobody.
    """

    def __init__(self, stored: Iterable[Stored], key: Sequence[int], present: Editions) -> None:
        self._key = key
        self._found: dict[Values, Stored] = {}
        self._gone: list[int] = []
        for row in stored:
            pk, begins, ends, says = row
            is_ahead = begins is not None and begins > present.number
            if (ends is not None and ends <= present.number) or (is_ahead and begins != present.staged):
                self._gone.append(pk)
            else:
                self._found[(is_ahead, *self._named(says))] = row

    def take(self, says: Values, *, is_ahead: bool) -> Stored | None:
        """The stored row of a wanted one, once."""
        return self._found.pop((is_ahead, *self._named(says)), None)

    def rest(self) -> list[int]:
        """Numbers of the rows that nobody wants."""
        return [*self._gone, *(row[0] for row in self._found.values())]

    def _named(self, says: Values) -> Values:
        return tuple([says[place] for place in self._key])
