"""Load the demo clinic, invented from end to end, into an empty database. Only with DEMO=1.

The same day gives the same patients. Sign-ins have no passwords until `demo_sign_ins` prints some.
"""

from datetime import UTC, datetime, time
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply import clock
from resupply.management.arguments import day
from resupply.services import demo
from resupply.services.errors import Refused

ZONE = "America/Denver"
"""The zone of the demo's first room: its calendar date is the given day where none is named."""
MIDDAY = time(18, tzinfo=UTC)
"""The same date in both rooms of the demo."""


class Command(BaseCommand):
    """load_demo [--today YYYY-MM-DD]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Load the invented demo clinic into an empty database (DEMO=1 only)."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the option."""
        parser.add_argument("--today", type=day, help="the day its states are put on (default: today)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Load it, or say why not."""
        if not settings.DEMO:
            raise CommandError("The demo clinic is loaded with DEMO=1 only; a clinic starts empty.")
        wanted = options["today"]
        now = datetime.combine(wanted, MIDDAY) if wanted else clock.now()
        try:
            loaded = demo.load(today=wanted or clock.today(ZONE), now=now)
        except Refused as refused:
            raise CommandError(refused.message) from None
        if loaded.patients:
            self.stdout.write(f"The demo clinic is loaded: {loaded.patients} invented patients.")
        else:
            self.stdout.write("The demo clinic is here already; nothing was changed.")
