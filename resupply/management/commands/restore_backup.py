"""Restore a backup into a new, empty database and verify it there; or only look whether a file is whole.

The file is checked from end to end before the database is touched. Restored is all or nothing. The site goes
on with its own database until DATABASE_URL names the new one.
"""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.services.backups import Restored, look_at, restore
from resupply.services.errors import Refused


class Command(BaseCommand):
    """restore_backup FILE (--into DATABASE_URL | --check)"""

    requires_system_checks = []  # pages have no part in this
    help = "Restore a backup into a new database, and verify it there."

    def add_arguments(self, parser: CommandParser) -> None:
        """The file, and where to."""
        parser.add_argument("file", type=Path)
        where = parser.add_mutually_exclusive_group(required=True)
        where.add_argument("--into", metavar="DATABASE_URL", help="an empty database: postgresql://...")
        where.add_argument("--check", action="store_true", help="only read the file and check it")

    def handle(self, *args: Any, file: Path, into: str | None, **options: Any) -> None:
        """Restore, or look."""
        if not settings.BACKUP_KEYS:
            raise CommandError("Set BACKUP_KEY to the key the file was made with.")
        try:
            if into is None:
                self._say(look_at(file, keys=settings.BACKUP_KEYS))
                self.stdout.write("The file is whole.")
                return
            self._say(restore(file, into=into, keys=settings.BACKUP_KEYS))
        except Refused as refused:
            raise CommandError(refused.message) from None
        self.stdout.write("Restored: every table is as it was, row by row and byte by byte.")

    def _say(self, found: Restored) -> None:
        """What the file holds."""
        head, manifest = found.head, found.manifest
        self.stdout.write(
            f"{head.clinic}, as it stood at {head.made_at} (PostgreSQL {head.server})\n"
            f"{manifest.rows} rows of {len(manifest.tables)} tables\n"
            f"history {manifest.seals} seals, newest {manifest.head or 'none'}"
        )
        for name, table in manifest.tables.items():
            if table.rows:
                self.stdout.write(f"  {table.rows:>10}  {name}")
