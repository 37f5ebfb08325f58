"""Changing the key of what lies encrypted, while the site runs.

Put the new key in front of DATA_KEYS and restart: new values are written under it, old ones are still read.
Then `rotate` encrypts the rest anew, in batches of one short transaction each; broken off, it goes on where
values under an older key are left. History rows are encrypted anew too, past their guard: their seals hash
the keyed hash of the text, which stays. Once nothing is left the old key can be taken out of DATA_KEYS and
destroyed; older backups need it still.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import pgtrigger
from django.apps import apps
from django.conf import settings
from django.db import connection, transaction

from resupply.models.encrypted import PREFIX, EncryptedTextField, blind, decrypt, encrypt, key_id

BATCH = 1000
_QUOTE = connection.ops.quote_name


@dataclass(frozen=True, slots=True)
class Column:
    """An encrypted column: its table, its name, and the table's key."""

    table: str
    name: str
    key: str


def columns() -> list[Column]:
    """Every encrypted column, tables of changes included."""
    found = []
    for model in apps.get_models():
        pk = model._meta.pk
        if model._meta.proxy or pk is None:
            continue
        for field in model._meta.concrete_fields:
            if isinstance(field, EncryptedTextField):
                found.append(Column(model._meta.db_table, str(field.column), str(pk.column)))
    return sorted(found, key=lambda column: (column.table, column.name))


def rotate(*, batch: int = BATCH) -> int:
    """Encrypt every value under the newest key that is not yet; how many there were."""
    return sum(_rotate(column, batch) for column in columns())


def left() -> int:
    """How many values lie under an older key, or under none."""
    return sum(_count(column) for column in columns())


def unsound() -> Iterator[tuple[str, str, int]]:
    """Values that cannot be read, or whose keyed hash is not that of their text: table, column, row."""
    for column in columns():
        after = -(2**62)
        while rows := _read(column, after, f"{_QUOTE(column.name)} <> ''", BATCH, lock=False):
            yield from ((column.table, column.name, pk) for pk, stored in rows if not _is_sound(stored))
            after = rows[-1][0]


def _is_sound(stored: str) -> bool:
    try:
        text = decrypt(stored)
    except Exception:  # whatever is wrong with it
        return False
    return stored.startswith(PREFIX) and stored.split(":")[2] == blind(text)


def _rotate(column: Column, batch: int) -> int:
    done, after = 0, -(2**62)
    while True:
        with transaction.atomic(), pgtrigger.ignore():
            rows = _read(column, after, _old(column), batch, lock=True)
            if not rows:
                return done
            _write(column, [(pk, encrypt(decrypt(stored))) for pk, stored in rows])
        done, after = done + len(rows), rows[-1][0]


def _old(column: Column) -> str:
    """The condition that a value is not under the newest key."""
    newest = f"{PREFIX}{key_id(settings.DATA_KEYS[0])}:"
    return f"{_QUOTE(column.name)} <> '' AND NOT starts_with({_QUOTE(column.name)}, '{newest}')"


def _read(column: Column, after: int, where: str, batch: int, *, lock: bool) -> list[tuple[int, str]]:
    mode = " FOR UPDATE" if lock else ""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {_QUOTE(column.key)}, {_QUOTE(column.name)} FROM {_QUOTE(column.table)}"  # noqa: S608
            f" WHERE {_QUOTE(column.key)} > %s AND {where} ORDER BY 1 LIMIT %s{mode}",
            [after, batch],
        )
        return [(pk, stored) for pk, stored in cursor.fetchall()]


def _write(column: Column, rows: list[tuple[int, str]]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {_QUOTE(column.table)} AS old SET {_QUOTE(column.name)} = new.text"  # noqa: S608
            " FROM unnest(%s::bigint[], %s::text[]) AS new(pk, text)"
            f" WHERE old.{_QUOTE(column.key)} = new.pk",
            [[pk for pk, _ in rows], [text for _, text in rows]],
        )


def _count(column: Column) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {_QUOTE(column.table)} WHERE {_old(column)}")  # noqa: S608
        return int(cursor.fetchone()[0])
