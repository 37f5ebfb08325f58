"""Rebuild stock levels from the ledger of movements: the same rows, if nothing ever went wrong."""

from typing import Any

from django.core.management.base import BaseCommand

from resupply.services.shelves import rebuild_levels


class Command(BaseCommand):
    """`manage.py rebuild_stock`: may be run at any time; a dispense under way waits for it."""

    requires_system_checks = []  # pages have no part in this
    help = "Make the stock levels equal to the sums of the standing movements."

    def handle(self, *args: Any, **options: Any) -> None:
        """Rebuild, and say how many levels were wrong."""
        wrong = rebuild_levels()
        self.stdout.write(f"{wrong} level{'' if wrong == 1 else 's'} corrected.")
