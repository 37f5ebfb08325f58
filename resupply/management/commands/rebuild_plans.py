"""Rebuild every stored plan from the records, in committed batches; progress goes to standard error.

A rebuild that was stopped goes on with `--after` the last patient it named. It changes nothing where plans
are right, and the identity of no calendar entry.
"""

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from resupply import clock
from resupply.services import plans


class Command(BaseCommand):
    """rebuild_plans [--after NUMBER]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Rebuild every stored plan from the records."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--after", type=int, default=0, help="go on after this number, as progress named it"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Rebuild batch by batch."""
        changed = 0
        for last, written in plans.rebuild_plans(now=clock.now(), after=options["after"]):
            changed += written
            self.stderr.write(
                f"done up to {last}: {changed} rows changed (to go on from here: --after {last})"
            )
        self.stdout.write(f"Plans rebuilt: {changed} rows changed.")
