"""Restoring: a backup into a database in which nobody has worked, all of it or nothing.

1. The whole file is read and checked before the database is touched: its key, every chunk, its end, and every
   table against the manifest.
2. A new database gets its tables from the migrations of this program, which must be those of the backup.
3. In one transaction the tables are loaded, keys and indexes put back, and every table read again and held
   against the manifest: rows, bytes, and the newest seal of history. Whatever differs takes all of it back.
"""

import os
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.db import connections
from django.db.migrations.loader import MigrationLoader

from resupply.services.backups import database
from resupply.services.backups.archive import (
    ArchiveReader,
    Head,
    Manifest,
    Table,
    Tally,
    looked_through,
)
from resupply.services.errors import Refused

_SOMEBODY = ("accounts_user", "resupply_patient", "resupply_historyseal", "pghistory_context")
"""Tables that are empty as long as nobody has worked in a database."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What was in the file, and is in the database now."""

    head: Head
    manifest: Manifest


def look_at(file: Path, *, keys: Sequence[bytes]) -> Restored:
    """Read a whole backup and check it, touching no database. Raises Refused as `sealed.unsealed` does."""
    try:
        with file.open("rb") as opened:
            return Restored(*looked_through(opened, keys))
    except OSError as error:
        raise Refused("unreadable", f"{file}: {error.strerror}") from None


def restore(file: Path, *, into: str, keys: Sequence[bytes]) -> Restored:
    """Load a backup into the database at `into` (postgresql://...) and verify it there.

    Raises Refused: as `look_at`; `other_program` (other migrations than the backup's), `in_use` (somebody has
    worked in that database), `differs` (what arrived is not what was sent; nothing was kept).
    """
    found = look_at(file, keys=keys)
    _same_program(found.manifest)
    with database.connect(into) as connection:
        known = _is_new(connection, into, found.manifest)
        connection.rollback()
        if not known:
            _migrate(into)
        with connection.transaction(), file.open("rb") as opened:
            _load(connection, ArchiveReader(opened, keys))
            _compare(connection, found.manifest)
        connection.autocommit = True
        connection.execute("ANALYZE")
    return found


def _same_program(manifest: Manifest) -> None:
    """The tables are made by this program's migrations, so these must be the backup's."""
    loader = MigrationLoader(None)
    ours = {f"{app}.{name}" for app, name in loader.disk_migrations}
    theirs = set(manifest.migrations)
    if ours != theirs:
        odd = sorted(ours ^ theirs)
        raise Refused(
            "other_program",
            f"The backup was made by another version of the program ({len(odd)} migrations differ, such as "
            f"{odd[0]}). Restore with that version, then update.",
        )


def _is_new(connection: database.Connection, url: str, manifest: Manifest) -> bool:
    """Whether the tables are there, with nobody in them. Raises Refused: `in_use`, `other_program`."""
    in_use = Refused("in_use", "That database is not new. Make an empty one, and restore into it.")
    if database.is_same(url, connections["default"].settings_dict):
        raise in_use
    there = database.tables(connection)
    if not there:
        return False
    names = {table.name for table in there}
    if not names.issuperset(_SOMEBODY):
        raise in_use
    if database.applied(connection) != manifest.migrations:
        raise Refused(
            "other_program", "That database has other tables. Make an empty one, and restore into it."
        )
    for table in there:
        if table.name in _SOMEBODY and next(database.text_of(connection, table), None) is not None:
            raise in_use
    return True


def _migrate(url: str) -> None:
    """Make the tables, in a process of its own: settings know one database."""
    subprocess.run(
        [sys.executable, "manage.py", "migrate", "--noinput", "--verbosity", "0"],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": url},
        check=True,
    )


def _load(connection: database.Connection, reader: ArchiveReader) -> None:
    here = database.tables(connection)
    guards = database.Guards.taken_off(connection)
    database.empty(connection, here)
    for entry in reader.entries():
        if isinstance(entry, Table):
            database.load(connection, entry, reader.blocks())
        elif isinstance(entry, Manifest):
            database.set_counters(connection, entry)
    guards.put_back(connection)


def _compare(connection: database.Connection, manifest: Manifest) -> None:
    """Read everything again and hold it against the manifest."""
    found = {table.name: _tally(database.text_of(connection, table)) for table in database.tables(connection)}
    if found == manifest.tables and database.newest_seal(connection) == (manifest.seals, manifest.head):
        return
    odd = sorted(name for name in {*found, *manifest.tables} if found.get(name) != manifest.tables.get(name))
    raise Refused("differs", f"What arrived differs in {', '.join(odd) or 'history'}. Nothing was kept.")


def _tally(text: Iterable[bytes]) -> object:
    tally = Tally()
    for some in text:
        tally.add(some)
    return tally.counted()
