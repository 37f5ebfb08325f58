"""`manage.py check_heartbeat`: health of worker and scheduler, seen from the far end of their road."""

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply import clock
from resupply.models.outbox import Heartbeat


class Command(BaseCommand):
    """Exits with 0 if a beat reached the database lately, by way of scheduler, queue and worker."""

    help = "Fail unless a heartbeat travelled scheduler, queue, worker and database lately."

    def add_arguments(self, parser: CommandParser) -> None:
        """`--within` says how long ago the last beat may be."""
        parser.add_argument("--within", type=int, default=90, metavar="SECONDS")

    def handle(self, *args: Any, within: int, **options: Any) -> None:
        """Look at the newest beat."""
        newest = Heartbeat.objects.order_by("-beat_at").first()
        if newest is None:
            raise CommandError("No heartbeat has arrived yet.")
        age = clock.now() - newest.beat_at
        if age > timedelta(seconds=within):
            raise CommandError(f"The last heartbeat arrived {age.total_seconds():.0f} seconds ago.")
        self.stdout.write("ok")
