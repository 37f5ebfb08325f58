"""Stored rows of plans made equal to those wanted: only what differs is written, many rows by COPY."""

from collections.abc import Iterable, Sequence
from typing import TypedDict, TypeVar

from django.db import connection, models

from resupply.models import PlanChecklist, PlanLine, PlanState
from resupply.queries.editions import Editions
from resupply.queries.planned import MARKS, Stored, Values, contents

MANY = 100
"""From so many rows on COPY into a table for the moment and one statement beat Django's INSERT."""
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
    if len(changed) >= MANY:
        _copy(model, changed, _conflicts(model, columns, key))
    elif changed:
        rows.bulk_create(changed, update_conflicts=True, **_conflicts(model, columns, key))
    return len(changed) + len(gone) + sum(map(len, ends.values()))


def values(row: models.Model, names: Sequence[str]) -> Values:
    """What a row says in these columns."""
    return tuple([getattr(row, name) for name in names])


class _Conflicts(TypedDict):
    unique_fields: list[str]
    update_fields: list[str]


def _conflicts(model: type[models.Model], columns: Sequence[str], key: Sequence[str]) -> _Conflicts:
    """What makes a row the same one, and what is written over where it is."""
    marks = [mark for mark in MARKS if hasattr(model, mark)]
    written = [column for column in columns if column not in key]
    return {"unique_fields": [*key, *marks[1:]], "update_fields": [*written, *marks[:1]]}


def _copy(model: type[models.Model], rows: Sequence[models.Model], conflicts: _Conflicts) -> None:
    """Write many rows over those that are the same."""
    names = [*conflicts["unique_fields"], *conflicts["update_fields"]]
    table, incoming = model._meta.db_table, f"incoming_{model._meta.model_name}"
    columns = ", ".join(f'"{name}"' for name in names)
    taken = ", ".join(f'"{name}" = EXCLUDED."{name}"' for name in conflicts["update_fields"])
    same = ", ".join(f'"{name}"' for name in conflicts["unique_fields"])
    with connection.cursor() as cursor:  # names of our own tables and columns
        cursor.execute(f"CREATE TEMPORARY TABLE {incoming} AS SELECT {columns} FROM {table} WITH NO DATA")  # noqa: S608
        with cursor.copy(f"COPY {incoming} ({columns}) FROM STDIN") as lines:
            for row in rows:
                lines.write_row(values(row, names))
        cursor.execute(
            f"INSERT INTO {table} ({columns}) SELECT {columns} FROM {incoming}"  # noqa: S608
            f" ON CONFLICT ({same}) DO UPDATE SET {taken}"
        )
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
