"""Many new rows at once, by COPY: several times as fast as INSERT statements. History triggers see them."""

from collections.abc import Callable, Sequence
from enum import Enum
from typing import Any, cast

from django.db import connection
from django.db.models import Field, Model

from resupply.models.encrypted import EncryptedTextField


def copy_rows(rows: Sequence[Model]) -> None:
    """Write unsaved rows of one model in the order given, and give each its key.

    Fields are written as they are, without `pre_save`: no model here has automatic ones.
    """
    if not rows:
        return
    meta = rows[0]._meta
    for row, pk in zip(rows, _new_keys(rows[0], len(rows)), strict=True):
        row.pk = pk
    fields = meta.concrete_fields
    quoted = connection.ops.quote_name
    columns = ", ".join(quoted(cast(str, field.column)) for field in fields)
    columns_of = [(field.attname, _prepared(field)) for field in fields]
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {quoted(meta.db_table)} ({columns}) FROM STDIN") as copy,
    ):
        for row in rows:
            copy.write_row([_plain(prepare(getattr(row, name))) for name, prepare in columns_of])
    for row in rows:
        row._state.adding, row._state.db = False, connection.alias


def _new_keys(row: Model, count: int) -> list[int]:
    """So many keys of a table, rising."""
    table, column = row._meta.db_table, cast(str, row._meta.pk.column)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, %s)) FROM generate_series(1, %s)",
            [f'"{table}"', column, count],
        )
        return [key for (key,) in cursor.fetchall()]


def _prepared(field: "Field[Any, Any]") -> Callable[[object], object]:
    """How a field's values are written: as they are, unless they are encrypted."""
    return field.get_prep_value if isinstance(field, EncryptedTextField) else lambda value: value


def _plain(value: object) -> object:
    return value.value if isinstance(value, Enum) else value
