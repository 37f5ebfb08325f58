"""Stored rows of plans made equal to those wanted: only what differs is written, many rows by COPY."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from django.db import connection, models

from resupply.models import PlanChecklist, PlanLine, PlanState
from resupply.queries.editions import Editions
from resupply.queries.planned import MARKS, Stored, Values, contents

MANY = 100
"""From so many rows on COPY into a table for the moment beats a statement that holds them."""
Row = TypeVar("Row", PlanLine, PlanChecklist, PlanState)


def store(
    wanted: Sequence[Row],
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
    rows: models.Manager[Row] = getattr(model, "stored", model._default_manager)
    changed: list[Row] = []
    ends: dict[int | None, list[int]] = {}
    for row in wanted:
        begins, until = getattr(row, MARKS[0], None), getattr(row, MARKS[1], None)
        says = values(row, columns)
        found = old.take(says, is_ahead=begins is not None)
        if found is not None and found[2] != until:
            ends.setdefault(until, []).append(found[0])
        if found is None or found[3] != says:
            changed.append(row)
    if gone := old.rest():
        rows.filter(pk__in=gone).delete()
    for until, pks in ends.items():
        rows.filter(pk__in=pks).update(**{MARKS[1]: until})
    if changed:
        _write(_Upsert.of(model, tuple(key)), changed)
    return len(changed) + len(gone) + sum(map(len, ends.values()))


def values(row: models.Model, names: Sequence[str]) -> Values:
    """What a row says in these columns."""
    return tuple([getattr(row, name) for name in names])


@dataclass(frozen=True, slots=True)
class _Upsert:
    """How rows of a model are written over those that are the same: SQL of our own names."""

    table: str
    names: tuple[str, ...]
    before: str
    after: str

    @classmethod
    @cache
    def of(cls, model: type[models.Model], key: tuple[str, ...]) -> "_Upsert":
        """The key says which row is the same one, of those shown until the same edition."""
        marks = [mark for mark in MARKS if hasattr(model, mark)]
        same = [*key, *marks[1:]]
        taken = [column for column in contents(model) if column not in key] + marks[:1]
        names = (*same, *taken)
        sets = ", ".join(f"{_quoted([name])} = EXCLUDED.{_quoted([name])}" for name in taken)
        table = model._meta.db_table
        return cls(
            table,
            names,
            f"INSERT INTO {table} ({_quoted(names)})",
            f"ON CONFLICT ({_quoted(same)}) DO UPDATE SET {sets}",
        )


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _write(how: _Upsert, rows: Sequence[models.Model]) -> None:
    """In SQL: a refresh happens within every write, and Django took longer to compose one row of many columns
    than PostgreSQL to store it.
    """
    if len(rows) >= MANY:
        _copy(how, rows)
        return
    row = f"({', '.join(['%s'] * len(how.names))})"
    said: list[Any] = [value for one in rows for value in values(one, how.names)]
    with connection.cursor() as cursor:
        cursor.execute(f"{how.before} VALUES {', '.join([row] * len(rows))} {how.after}", said)


def _copy(how: _Upsert, rows: Sequence[models.Model]) -> None:
    """Many rows by way of a table for the moment."""
    columns, incoming = _quoted(how.names), f"incoming_{how.table}"
    with connection.cursor() as cursor:
        cursor.execute(
            f"CREATE TEMPORARY TABLE {incoming} AS SELECT {columns} FROM {how.table} WITH NO DATA"  # noqa: S608
        )
        with cursor.copy(f"COPY {incoming} ({columns}) FROM STDIN") as lines:
            for row in rows:
                lines.write_row(values(row, how.names))
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
