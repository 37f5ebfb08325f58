"""Write a backup of the whole database to one encrypted file, while people work.

What it holds goes to standard output: rows, size, the key's id, the newest seal of history, and the file's
SHA-256.
BACKUP_KEY must be set; the file opens with that key alone, so keep the key in another place than the file.
"""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply import clock
from resupply.services.backups import back_up
from resupply.services.errors import Refused


class Command(BaseCommand):
    """back_up FILE"""

    requires_system_checks = []  # pages have no part in this
    help = "Write an encrypted backup of the whole database, while people work."

    def add_arguments(self, parser: CommandParser) -> None:
        """The file to write."""
        parser.add_argument("file", type=Path, help="a new file; a folder: named there by date and time")

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        """Back up."""
        if not settings.BACKUP_KEYS:
            raise CommandError("Set BACKUP_KEY (openssl rand -base64 32), and keep it apart from the files.")
        now = clock.now()
        if file.is_dir():
            file = file / f"evenkeep-{now:%Y%m%dT%H%M%SZ}.backup"
        try:
            made = back_up(
                file, key=settings.BACKUP_KEYS[0], clinic=settings.CLINIC_NAME, now=now, ended=clock.now
            )
        except Refused as refused:
            raise CommandError(refused.message) from None
        except OSError as error:
            raise CommandError(f"{file}: {error.strerror}. No backup was made.") from None
        row, manifest = made.row, made.manifest
        self.stdout.write(
            f"{file}\n{manifest.rows} rows of {len(manifest.tables)} tables, {row.file_size} bytes\n"
            f"key {row.key_id}\nhistory {manifest.seals} seals, newest {manifest.head or 'none'}\n"
            f"SHA-256 {row.digest}"
        )
