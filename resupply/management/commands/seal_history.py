"""`manage.py seal_history`: seal what came into change history since the last seal."""

from typing import Any

from django.core.management.base import BaseCommand

from resupply import clock
from resupply.queries.seal_check import newest_seal
from resupply.services.seals import seal_all


class Command(BaseCommand):
    """Writes the number and hash of the newest seal to standard output: a line to keep outside."""

    requires_system_checks = []  # pages have no part in this
    help = "Seal new rows of change history, and say the newest seal's hash, to be kept outside."

    def handle(self, *args: Any, **options: Any) -> None:
        """Seal until nothing is new, after whoever is at it: the newest seal covers what is here now."""
        seal_all(now=clock.now(), at_most=100_000, waits=True)
        newest = newest_seal()
        self.stdout.write(f"{newest[0]}:{newest[1]}" if newest else "Nothing has been recorded yet.")
