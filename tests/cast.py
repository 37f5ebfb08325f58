"""The named cast of the tests: two patients in two rooms, one person of each role, one outsider.

Odalys Brandt belongs to the North room, Tevin Okafor to the South room. Ines at the desk works in the North
room only; the therapist, the manager and the administrator work everywhere. The outsider has no role.
"""

from dataclasses import dataclass
from datetime import date

from clinic.accounts.models import User
from resupply.models import Location, Patient, Payer, Role, Staff
from tests import builders


@dataclass(frozen=True, slots=True)
class Cast:
    """Who is on stage."""

    north: Location
    south: Location
    payer: Payer
    odalys: Patient
    tevin: Patient
    desk: Staff
    therapist: Staff
    manager: Staff
    administrator: Staff
    outsider: User

    def user(self, role: str) -> User:
        """The sign-in of a role, or of the outsider."""
        member: Staff | User = getattr(self, role)
        return member.user if isinstance(member, Staff) else member


def make_cast() -> Cast:
    """The cast, freshly written (the fixture `cast` of tests/conftest.py)."""
    north = builders.make_location(name="North room")
    south = builders.make_location(name="South room", time_zone="America/Chicago")
    payer = builders.make_payer(
        name="Payer B",
        allowances=[{}, {"part_code": "A7034", "units": 1, "period_count": 3, "at_once_periods": 1}],
    )
    return Cast(
        north=north,
        south=south,
        payer=payer,
        odalys=builders.make_patient(
            payer=payer,
            reference="1047",
            given_name="Odalys",
            family_name="Brandt",
            birth_date=date(1961, 2, 4),
            location=north,
            phone="+1 303 555 0142",
            email="odalys@patients.example",
        ),
        tevin=builders.make_patient(
            reference="1048",
            given_name="Tevin",
            family_name="Okafor",
            birth_date=date(1979, 11, 30),
            location=south,
            phone="+1 312 555 0177",
        ),
        desk=builders.make_staff(Role.DESK, locations=[north], username="ines"),
        therapist=builders.make_staff(Role.THERAPIST, username="theo"),
        manager=builders.make_staff(Role.MANAGER, username="marta"),
        administrator=builders.make_staff(Role.ADMINISTRATOR, username="ada"),
        outsider=builders.make_user(username="olaf"),
    )
