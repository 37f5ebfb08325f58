"""Write the calendar feed of one patient as of a day to standard output, byte for byte.

It is worked out from the records, whatever the day: facts dated later are ignored. Nothing is written to the
database, and the same records give the same bytes on every run. The patient's newest live calendar gives the
choices, the UIDs and the count of changes; without one, the usual choices and UIDs of the patient's own are
used, and cleaning starts on the day asked for.
"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.management.arguments import day
from resupply.models import Patient
from resupply.services import feed_content


class Command(BaseCommand):
    """export_feed PATIENT_REF --as-of YYYY-MM-DD"""

    help = "Write a patient's calendar feed as of a day to standard output."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the patient's reference and the day."""
        parser.add_argument("patient_ref", help="the clinic's reference for the patient")
        parser.add_argument("--as-of", type=day, required=True, help="YYYY-MM-DD, past or future")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the bytes; CRLF line ends, as the format asks, whatever the platform."""
        patient = Patient.objects.filter(reference=options["patient_ref"]).first()
        if patient is None:
            raise CommandError("No patient has this reference. Check it with export_plan.")
        data = feed_content.preview(patient, as_of=options["as_of"])
        binary = getattr(self.stdout, "buffer", None)
        if binary is None:  # a caller that collects text
            self.stdout.write(data.decode(), ending="")
        else:
            binary.write(data)
            binary.flush()
