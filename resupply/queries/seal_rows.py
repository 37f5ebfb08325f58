"""Rows of history as a seal hashes them, worked out where they lie.

A row is hashed as PostgreSQL writes a row of its columns as text, in an order that `HistoryLayout` keeps,
under settings that this module fixes (UTC, ISO days, shortest exact floats): the same bytes before and after
a dump into another database, by another version, in another zone. Numbers of transactions are nowhere in it,
because a restore gives new ones. Rows are named by spans of their numbers, every number of which has a row.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

import pghistory.models
from django.apps import apps
from django.db import connection, models

from resupply.models import EvidencePacket, PatientRead, SharedRead, SharedRecord
from resupply.models.encrypted import MARK_PART, PREFIX, EncryptedTextField

_ENCRYPTED = "#"
Span = tuple[int, int]
"""First and last number, both with a row, and every number between them."""

GAP_CLOSES_S = 3600
"""Seconds after which a number without a row will never have one: no transaction runs longer."""


@dataclass(frozen=True, slots=True)
class Table:
    """A sealed table: its name, the column with the rising number, and its columns in order of name.

    A column that ends with `#` is encrypted: its rows are hashed by the mark of the text, which stays when a
    key is changed and everything is encrypted anew.
    """

    name: str
    key: str
    columns: tuple[str, ...]

    @property
    def layout(self) -> str:
        """The digest that names these columns in seals."""
        return layout_digest(self.name, self.columns)


def layout_digest(table: str, columns: Sequence[str]) -> str:
    """SHA-256 (hex) of a table's name and columns."""
    return hashlib.sha256(json.dumps([table, *columns]).encode()).hexdigest()


def sealed_tables() -> list[Table]:
    """Every table of changes, the read log, what programs read, evidence packets, and other ledgers that say
    so (`is_sealed`), by name.
    """
    chosen: list[type[models.Model]] = [
        model
        for model in apps.get_models()
        if issubclass(model, pghistory.models.Event) or getattr(model, "is_sealed", False)
    ]
    chosen += [PatientRead, SharedRead, SharedRecord, EvidencePacket]
    tables = [_table(model) for model in chosen if not model._meta.proxy]
    return sorted(tables, key=lambda table: table.name)


def _table(model: type[models.Model]) -> Table:
    pk = model._meta.pk
    assert pk is not None  # noqa: S101 - every model has one
    columns = sorted(
        f"{field.column}{_ENCRYPTED if isinstance(field, EncryptedTextField) else ''}"
        for field in model._meta.concrete_fields
    )
    return Table(model._meta.db_table, str(pk.column), tuple(columns))


def fix_settings() -> None:
    """Fix how PostgreSQL writes values as text until the transaction ends."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT set_config('TimeZone', 'UTC', true), set_config('DateStyle', 'ISO, YMD', true),"
            " set_config('extra_float_digits', '1', true), set_config('bytea_output', 'hex', true),"
            " set_config('IntervalStyle', 'postgres', true)"
        )


def newest_numbers(tables: Sequence[Table]) -> dict[str, int]:
    """The highest number of each table, 0 for an empty one. One query."""
    parts = (f"SELECT '{one.name}', coalesce(max({one.key}), 0) FROM {one.name}" for one in tables)  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(parts))
        return dict(cursor.fetchall())


def existing_columns() -> dict[str, frozenset[str]]:
    """The columns of every table that is there. One query."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT table_name::text, array_agg(column_name::text) FROM information_schema.columns"
            " WHERE table_schema = current_schema() GROUP BY table_name"
        )
        return {table: frozenset(columns) for table, columns in cursor.fetchall()}


def first_number(table: Table, after: int) -> int:
    """The lowest number above another, or the next one where there is none."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT coalesce(min({table.key}), %s) FROM {table.name} WHERE {table.key} > %s",  # noqa: S608
            [after + 1, after],
        )
        return int(cursor.fetchone()[0])


def spans(table: Table, low: int, high: int) -> list[Span]:
    """The spans of rows with numbers from `low` to `high`, both counted in."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT min(n), max(n) FROM (SELECT {table.key} AS n, {table.key} - row_number()"  # noqa: S608
            f" OVER (ORDER BY {table.key}) AS island FROM {table.name} WHERE {table.key} BETWEEN %s AND %s)"
            " AS numbered GROUP BY island ORDER BY 1",
            [low, high],
        )
        return [(low, high) for low, high in cursor.fetchall()]


def rows_digest(table: str, key: str, columns: Sequence[str], over: Sequence[Span]) -> tuple[int, str]:
    """How many rows lie in spans, and the SHA-256 (hex) over the hashes of each, in the order of numbers."""
    quoted = ", ".join(_hashed(column) for column in columns)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*), encode(sha256(coalesce(string_agg("  # noqa: S608 - names of our own columns
            f"sha256(convert_to(ROW({quoted})::text, 'UTF8')), ''::bytea ORDER BY {key}), ''::bytea)), 'hex')"
            f" FROM unnest(%s::bigint[], %s::bigint[]) AS span(low, high) JOIN {table}"
            f" ON {key} BETWEEN span.low AND span.high",
            [[low for low, _ in over], [high for _, high in over]],
        )
        count, digest = cursor.fetchone()
        return count, digest


def _hashed(column: str) -> str:
    """How a column of a layout comes into a row's text."""
    name = connection.ops.quote_name(column.removesuffix(_ENCRYPTED))
    if not column.endswith(_ENCRYPTED):
        return name
    mark = f"split_part({name}, ':', {MARK_PART})"
    return f"CASE WHEN starts_with({name}, '{PREFIX}') THEN {mark} ELSE {name} END"


def contexts_digest(after: str, until: str) -> tuple[int, str]:
    """How many contexts of changes were made after a moment (ISO) and up to another, and their SHA-256."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*), encode(sha256(coalesce(string_agg(sha256(convert_to("
            "ROW(id, created_at, metadata)::text, 'UTF8')), ''::bytea ORDER BY created_at, id), ''::bytea)),"
            " 'hex') FROM pghistory_context WHERE created_at > %s AND created_at <= %s",
            [after, until],
        )
        count, digest = cursor.fetchone()
        return count, digest


def outside(spans_: Sequence[Span], low: int, high: int) -> list[Span]:
    """The numbers from `low` to `high` that no span of a sorted list covers, as spans.

    >>> outside([(1, 3), (6, 6)], 1, 8)
    [(4, 5), (7, 8)]
    """
    found, at = [], low
    for first, last in spans_:
        if first > at:
            found.append((at, min(first - 1, high)))
        at = max(at, last + 1)
    if at <= high:
        found.append((at, high))
    return found
