"""Backing up: one snapshot of every table into one sealed file, while the clinic goes on working.

All tables are read in one transaction that sees a single moment (REPEATABLE READ): a dispense is in it with
all its lines, its stock and its history, or not at all. Reading takes no lock that a write would wait for.

The file appears under its name only when it is complete and on the disk.
"""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import psycopg
from django.db import Error, connections

from resupply.delivery.open_folder import sync_folder
from resupply.models import Backup
from resupply.services.backups import database
from resupply.services.backups.archive import ArchiveWriter, Head, Manifest
from resupply.services.backups.sealed import key_id
from resupply.services.errors import Refused


@dataclass(frozen=True, slots=True)
class BackedUp:
    """What was written: its size in bytes, SHA-256, and what it holds."""

    row: Backup
    manifest: Manifest


def back_up(file: Path, *, key: bytes, clinic: str, now: datetime, ended: Callable[[], datetime]) -> BackedUp:
    """Write a backup of the site's database to a new `file`, and keep a row about it.

    `ended` is asked for the time when all is done. Raises Refused: `exists`, `unfinished` (somebody writes
    this very file, or was cut off while at it); OSError and psycopg.Error come through after a row has been
    written that says so.
    """
    row = Backup(began_at=now, file_name=file.name[:200], key_id=key_id(key))
    unfinished = file.with_name(file.name + ".unfinished")
    try:
        with _ours(unfinished) as out:
            if file.exists():  # asked while nobody else can make it
                raise Refused("exists", f"{file} exists. A backup never writes over a file.")
            with _connection() as connection:
                manifest, size, digest = _write(out, connection, key=key, clinic=clinic, now=now)
            out.flush()
            os.fsync(out.fileno())
            unfinished.rename(file)
        sync_folder(file.parent)
    except Refused:
        raise
    except BaseException as error:
        row.error = type(error).__name__
        with suppress(Error):  # the database itself may be what broke
            row.save()
        raise
    row.finished_at, row.file_size, row.rows, row.digest = ended(), size, manifest.rows, digest
    row.save()
    return BackedUp(row, manifest)


@contextmanager
def _ours(file: Path) -> Iterator[BinaryIO]:
    """A new file that only its owner may read; gone if what fills it breaks off."""
    try:
        opened = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        message = f"{file} exists: a backup is writing it, or one was cut off. In that case remove it first."
        raise Refused("unfinished", message) from None
    try:
        with os.fdopen(opened, "wb") as out:
            yield out
    except BaseException:
        file.unlink(missing_ok=True)
        raise


def _connection() -> database.Connection:
    """A connection of its own to the site's database."""
    given = connections["default"].get_connection_params()
    return database.settled(psycopg.connect(**given | {"cursor_factory": None, "context": None}))


def _write(
    out: BinaryIO, connection: database.Connection, *, key: bytes, clinic: str, now: datetime
) -> tuple[Manifest, int, str]:
    connection.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
    connection.read_only = True
    with connection.transaction():
        server = database.server_version(connection)
        archive = ArchiveWriter(out, key, Head(now.isoformat(), clinic, server))
        manifest = Manifest(database.applied(connection))
        for table in database.tables(connection):
            manifest.tables[table.name] = archive.table(table, database.text_of(connection, table))
        # Numbers are given out outside of any snapshot: read last, none lies below a row that was read.
        manifest.counters = database.counters(connection)
        manifest.seals, manifest.head = database.newest_seal(connection)
    return manifest, *archive.close(manifest)
