"""`manage.py verify_history`: check change history against its seals; reads, writes nothing.

A line on standard output for each thing that does not hold (tables and numbers of rows, no values), then what
was looked at. The exit code is 1 where something does not hold.
"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.queries.seal_check import problems
from resupply.services.seals import check_seals


class Command(BaseCommand):
    """verify_history [--kept NUMBER:HASH ...]"""

    requires_system_checks = []  # pages have no part in this
    help = "Check change history against its seals."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--kept",
            nargs="*",
            default=[],
            metavar="NUMBER:HASH",
            help="seals whose hash was kept outside, as seal_history wrote them",
        )

    def handle(self, *args: Any, kept: list[str], **options: Any) -> None:
        """Check every seal."""
        found = check_seals(kept=dict(_seal(text) for text in kept))
        for line in problems(found):
            self.stdout.write(line)
        newest = f"; the newest is {found.newest[0]}:{found.newest[1]}" if found.newest else ""
        self.stdout.write(
            f"{found.seals} seals over {found.rows} rows looked at, {found.waiting} rows wait for the next"
            f" seal{newest}."
        )
        if found.problems:
            raise CommandError(f"Change history does not hold: {len(found.problems)} findings.")


def _seal(text: str) -> tuple[int, str]:
    number, _, digest = text.partition(":")
    if not (number.isascii() and number.isdigit() and len(digest) == 64):
        raise CommandError(f"{text!r} is no seal; write it like seal_history does, number:hash.")
    return int(number), digest
