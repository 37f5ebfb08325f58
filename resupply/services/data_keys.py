"""Changing the keys of what lies encrypted, while the site runs.

Put the new key in front of DATA_KEYS or of INDEX_KEY (or both) and restart: new values are written under it,
old ones are still read, and found. Then `rotate` encrypts the rest anew, in batches of one short transaction
each, and with the telephone numbers of patients what they are found by; broken off, it goes on where values
under older keys are left. History rows are encrypted anew too, past their guard: their seals hash the mark of
the text, which stays. Once nothing is left the old keys can be taken out and destroyed; older backups need
them still.

While an index key is changed, two columns compare as different where one was written anew and the other not
yet: an address that a carrier called bad may be written to once more, until the command is through.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pgtrigger
from django.apps import apps
from django.db import connection, transaction
from django.db.models import Q

from resupply.models import FindToken, Patient
from resupply.models.encrypted import PREFIX, EncryptedTextField, encrypt_anew, is_sound, newest_prefix
from resupply.services.find_tokens import token_rows

BATCH = 1000
_FOUND_BY = ("resupply_patient", "phone")
_QUOTE = connection.ops.quote_name


@dataclass(frozen=True, slots=True)
class Column:
    """An encrypted column: its table, its name, and the table's key."""

    table: str
    name: str
    key: str


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What lies encrypted outside of columns: how to encrypt it anew, and how many values are left."""

    rotate: Callable[[], int]
    left: Callable[[], int]


ELSEWHERE: list[Elsewhere] = []
"""Filled by whoever keeps such values (sign-in), as the program starts."""


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
    """Encrypt every value under the newest keys that is not yet; how many there were."""
    return sum(_rotate(column, batch) for column in columns()) + sum(one.rotate() for one in ELSEWHERE)


def left() -> int:
    """How many values lie under older keys, or under none."""
    return sum(_count(column, _old(column)) for column in columns()) + sum(one.left() for one in ELSEWHERE)


def plain() -> int:
    """How many of those lie under none: they can be read by whoever reads the database."""
    return sum(_count(column, _old(column, PREFIX)) for column in columns())


def unsound() -> Iterator[tuple[str, str, int]]:
    """Values that cannot be read, or whose keyed hash is not that of their text: table, column, row."""
    for column in columns():
        after = -(2**62)
        while rows := _read(column, after, f"{_QUOTE(column.name)} <> ''", BATCH, lock=False):
            yield from ((column.table, column.name, pk) for pk, stored in rows if not is_sound(stored))
            after = rows[-1][0]


def _rotate(column: Column, batch: int) -> int:
    done, after = 0, -(2**62)
    while True:
        with transaction.atomic(), pgtrigger.ignore():
            rows = _read(column, after, _old(column), batch, lock=True)
            if not rows:
                return done
            _write(column, [(pk, encrypt_anew(stored)) for pk, stored in rows])
            if (column.table, column.name) == _FOUND_BY:
                _find_anew([pk for pk, _ in rows])
        done, after = done + len(rows), rows[-1][0]


def _find_anew(patient_ids: list[int]) -> None:
    """Patients are found by their telephone numbers under the newest index key."""
    wanted = {
        (row.patient_id, row.token): row
        for patient in Patient.objects.filter(pk__in=patient_ids)
        for row in token_rows(patient)
        if row.token.startswith("#")
    }
    of_phones = Q(patient__in=patient_ids) & Q(("token__startswith", "#"))
    stored = {(row.patient_id, row.token): row.pk for row in FindToken.objects.filter(of_phones)}
    gone = [pk for name, pk in stored.items() if name not in wanted]
    FindToken.objects.filter(pk__in=gone).delete()
    FindToken.objects.bulk_create(row for name, row in wanted.items() if name not in stored)


def _old(column: Column, prefix: str = "") -> str:
    """The condition that a value is not under the newest keys (or does not begin with another `prefix`)."""
    name = _QUOTE(column.name)
    return f"{name} <> '' AND NOT starts_with({name}, '{prefix or newest_prefix()}')"


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


def _count(column: Column, where: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {_QUOTE(column.table)} WHERE {where}")  # noqa: S608
        return int(cursor.fetchone()[0])
