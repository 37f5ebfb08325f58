"""Write the plan of every patient as of a day to standard output, as CSV or JSON.

CSV has LF line ends and guards cells that a spreadsheet would run (delivery/tables_out.py). The plan is
always worked out from the records, whatever the day: facts dated later are ignored.
"""

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.delivery.tables_out import csv_lines, json_lines
from resupply.management.arguments import day, moment
from resupply.queries.plan_explanations import explained_rows
from resupply.queries.plan_table import COLUMNS, plan_rows


class Command(BaseCommand):
    """export_plan --as-of YYYY-MM-DD [--format csv|json] [--explain] [--as-known-at MOMENT]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Write every patient's plan as of a day to standard output."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument("--as-of", type=day, required=True, help="YYYY-MM-DD, past or future")
        parser.add_argument("--format", choices=["csv", "json"], default="csv")
        parser.add_argument("--explain", action="store_true", help="add the steps of every date (JSON only)")
        parser.add_argument(
            "--as-known-at", type=moment, help="use what was on record then, e.g. 2026-03-18T15:00:00Z"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Write line by line: nothing is collected first."""
        as_of, known_at = options["as_of"], options["as_known_at"]
        if options["explain"] and options["format"] != "json":
            raise CommandError("Explanations have no place in CSV: use --format json with --explain.")
        for line in _lines(options["format"], as_of, known_at, explain=options["explain"]):
            self.stdout.write(line, ending="")


def _lines(form: str, as_of: date, known_at: datetime | None, *, explain: bool) -> Iterator[str]:
    """The text to write."""
    if form == "csv":
        return csv_lines(COLUMNS, plan_rows(as_of=as_of, known_at=known_at))
    if explain:
        return json_lines(explained_rows(as_of=as_of, known_at=known_at))
    rows = plan_rows(as_of=as_of, known_at=known_at)
    return json_lines(dict(zip(COLUMNS, row, strict=True)) for row in rows)
