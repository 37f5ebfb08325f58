"""`manage.py rotate_data_keys`: encrypt what lies encrypted anew under the newest of DATA_KEYS and of
INDEX_KEY, while the site runs.
"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.services import data_keys


class Command(BaseCommand):
    """rotate_data_keys [--check]: may be broken off and run again."""

    requires_system_checks = []  # pages have no part in this
    help = "Encrypt contact data anew under the newest of DATA_KEYS and of INDEX_KEY."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument("--check", action="store_true", help="write nothing; say what is left or unsound")

    def handle(self, *args: Any, check: bool, **options: Any) -> None:
        """Rotate, or look."""
        if not check:
            self.stdout.write(f"{data_keys.rotate()} values encrypted anew.")
        left, plain, unsound = data_keys.left(), data_keys.plain(), list(data_keys.unsound())
        for table, column, row in unsound:
            self.stdout.write(f"{table}.{column}, row {row}: cannot be read, or is not what it was")
        self.stdout.write(
            f"{left - plain} values lie under older keys, {plain} are not encrypted, "
            f"{len(unsound)} are unsound."
        )
        if left or unsound:
            raise CommandError("Not every value is sound under the newest keys.")
