"""`manage.py demo_sign_ins`: new random passwords for the demo's accounts, and a link to a patient's own
page, printed this once.
"""

import json
import os
import secrets
from io import StringIO
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from clinic.accounts.models import User
from clinic.processes import is_loopback

DEMO_USERS = ("desk", "therapist", "manager", "admin")


class Command(BaseCommand):
    """Refuses outside the demo and where the site listens to other machines."""

    help = "Give the demo's accounts new random passwords and print them. Demo on this machine only."

    def add_arguments(self, parser: CommandParser) -> None:
        """`--json` prints one JSON object instead of lines."""
        parser.add_argument("--json", action="store_true", help="print an object of user names and passwords")

    def handle(self, *args: Any, json: bool = False, **options: Any) -> None:
        """Set and print the passwords."""
        host = os.environ.get("GRANIAN_HOST", "127.0.0.1")
        if not settings.DEMO or not is_loopback(host):
            raise CommandError("Demo sign-ins exist only with DEMO=1 and a site that listens on loopback.")
        passwords = {}
        for user in User.objects.filter(username__in=DEMO_USERS):
            passwords[user.username] = "-".join(secrets.token_hex(2) for _ in range(4))
            user.set_password(passwords[user.username])
            user.is_demo = True
            user.save(update_fields=["password", "is_demo"])
        if not passwords:
            raise CommandError("No demo accounts here; `manage.py load_demo` makes them.")
        shown = passwords | _patient()
        self.stdout.write(_as_json(shown) if json else _as_lines(shown))


def _patient() -> dict[str, str]:
    """`patient`: the address of the demo patient's own page, with the date of birth that opens it."""
    printed = StringIO()
    call_command("demo_patient_link", stdout=printed)
    found = json.loads(printed.getvalue())
    return {"patient": f"{found['address']} (born {found['born']})"} if found else {}


def _as_json(shown: dict[str, str]) -> str:
    return json.dumps(shown)


def _as_lines(shown: dict[str, str]) -> str:
    order = [name for name in (*DEMO_USERS, "patient") if name in shown]
    return "\n".join(f"{name:<12}{shown[name]}" for name in order)
