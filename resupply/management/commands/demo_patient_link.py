"""`manage.py demo_patient_link`: a new link to the demo patient's own page, printed this once, as JSON."""

import json
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from resupply import clock
from resupply.delivery import addresses
from resupply.delivery.words import date_words
from resupply.services import demo
from resupply.services.demo.own_page import renew_demo_link


class Command(BaseCommand):
    """Refuses outside the demo; prints an empty object where the patients are not the demo's."""

    help = "Give the demo's patient a new link to the own page and print it. Demo only."

    def handle(self, *args: Any, **options: Any) -> None:
        """End the link before, and print the new one with the date of birth that opens it."""
        if not settings.DEMO:
            raise CommandError("Demo links exist only with DEMO=1.")
        issued = renew_demo_link(now=clock.now()) if demo.is_demo() else None
        found = {}
        if issued:
            found["address"] = addresses.own_page(issued.token)
            found["born"] = date_words(issued.link.patient.birth_date)
        self.stdout.write(json.dumps(found))
