"""The address of every page: those that the tests walk, of the demo's own records and of a few more.

The pages come from the address resolver, so that a new one is walked the day it is added.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from pictures.place import MORNING

TODAY = MORNING.date()
PATIENTS_OWN = ("me:", "ask:", "stop")
"""How the names of patients' pages begin."""
OF_NOBODY = ("login", "join", "no such page")


@dataclass(frozen=True, slots=True)
class Subjects:
    """`pages`: a name and an address each; `born`: the date of birth that opens the patient's own ones."""

    pages: dict[str, str]
    born: date

    def of_staff(self) -> Iterator[tuple[str, str]]:
        """Pages behind the sign-in."""
        for name, address in self.pages.items():
            if not name.startswith((*PATIENTS_OWN, *OF_NOBODY)) and name != "logout":
                yield name, address

    def of_patients(self) -> Iterator[tuple[str, str]]:
        """Pages whose address is the secret; the first of them asks for the date of birth."""
        own = [(name, address) for name, address in self.pages.items() if name.startswith(PATIENTS_OWN)]
        yield from sorted(own, key=lambda page: page[0] != "me:page")

    def of_nobody(self) -> Iterator[tuple[str, str]]:
        """Pages before anybody is known."""
        for name, address in self.pages.items():
            if name.startswith(OF_NOBODY):
                yield name, address


def subjects() -> Subjects:
    """Look for the demo's records, and make those that it lacks (on the tests' usual day, which is ours)."""
    from django.urls import reverse

    from resupply.models import EmergencyAccess, Event, Patient
    from resupply.services import feeds
    from resupply.services.demo.people import SIGNATURE_REFERENCE
    from resupply.web.today_lists import LISTS
    from tests.builders import make_event
    from tests.web.addresses import addresses_of

    person = Patient.objects.get(reference=SIGNATURE_REFERENCE)
    dispense = person.dispenses.filter(voided_at=None).latest("dispensed_on", "pk")
    pauses = Event.objects.filter(event="pause", until=None, voided_at=None)
    pause = pauses.first() or make_event(_another(person), "pause", on=TODAY - timedelta(days=3))
    calendar = feeds.subscribe(person, feeds.Options(label="tablet"), by=None, now=MORNING)
    pages = addresses_of(person, dispense=dispense, event=pause, calendar=calendar)
    # One that lasts would stand on every page of the manager.
    EmergencyAccess.objects.filter(ended_at=None).update(
        began_at=MORNING - timedelta(hours=3), ends_at=MORNING - timedelta(hours=2)
    )
    pages |= {f"the list {slug}": reverse("worklist", args=[slug]) for slug in LISTS}
    pages |= {f"a patient, {what}": reverse("desk:patient", args=[one]) for what, one in _others().items()}
    if own := Event.objects.filter(patient=person, voided_at=None).exclude(event="pause").first():
        pages["me:changed_done"] = pages["me:changed_done"].replace(str(pause.public_id), str(own.public_id))
    pages["no such page"] = "/no/such/page/"
    return Subjects(pages, person.birth_date)


def _another(person: object) -> object:
    from resupply.models import Patient

    return Patient.objects.exclude(pk=person.pk).filter(status="on_therapy").first()


def _others() -> dict[str, object]:
    """Patients who show what the first one does not, by what they show."""
    from resupply.models import Event, MagnetScreen, Patient, PlanLine

    lines = PlanLine.objects.filter(patient__status="on_therapy").order_by("patient__reference")
    found = {
        "waiting for coverage": lines.filter(covered_from__gt=TODAY).first(),
        "paused": Event.objects.filter(event="pause", until=None, voided_at=None).first(),
        "magnets stopped": MagnetScreen.objects.filter(wearer="yes", voided_at=None).first(),
    }
    others = {what: row.patient.public_id for what, row in found.items() if row}
    for what, rows in (
        ("withdrawn", Patient.objects.exclude(status="on_therapy")),
        ("nothing on record", Patient.objects.filter(status="on_therapy", dispenses=None)),
    ):
        if one := rows.order_by("reference").first():
            others[what] = one.public_id
    return others
