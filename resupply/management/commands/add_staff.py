"""Make an account for a member of staff: how the first administrator of a new clinic comes to be.

The password is asked for, twice; with `--password-from-stdin` it is the first line of standard input. It
never stands on the command line, where other programs could read it.
"""

import getpass
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.models import Location, Role
from resupply.services.errors import Refused
from resupply.services.staff import NewStaff, add_staff


class Command(BaseCommand):
    """add_staff USER_NAME ROLE [--location NAME ...]"""

    help = "Make an account for a member of staff and give it a role."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the arguments."""
        parser.add_argument("user_name")
        parser.add_argument("role", choices=[role.value for role in Role])
        parser.add_argument("--given-name", default="")
        parser.add_argument("--family-name", default="")
        parser.add_argument("--email", default="")
        parser.add_argument(
            "--location", action="append", default=[], metavar="NAME", help="may be repeated; none means all"
        )
        parser.add_argument("--password-from-stdin", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        """Ask for the password and make the account."""
        known = {
            location.name: location for location in Location.objects.filter(name__in=options["location"])
        }
        if unknown := [name for name in options["location"] if name not in known]:
            raise CommandError(f"There is no location named {unknown[0]!r}.")
        new = NewStaff(
            user_name=options["user_name"],
            password=_from_stdin() if options["password_from_stdin"] else _asked(),
            role=Role(options["role"]),
            given_name=options["given_name"],
            family_name=options["family_name"],
            email=options["email"],
            locations=list(known.values()),
        )
        try:
            staff = add_staff(new)
        except Refused as refused:
            raise CommandError(refused.message) from None
        self.stdout.write(f"{staff.user.get_username()} may sign in as {staff.get_role_display().lower()}.")


def _from_stdin() -> str:
    return sys.stdin.readline().rstrip("\n")


def _asked() -> str:
    password = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != password:
        raise CommandError("The two passwords differ.")
    return password
