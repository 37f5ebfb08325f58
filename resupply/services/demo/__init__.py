"""The demo clinic: invented rooms, payers, staff and patients, so that every screen has something to show.

The same day gives the same rows, but for ids, public ids and the time of recording on that very day.
"""

from dataclasses import dataclass
from datetime import date, datetime

from django.apps import apps
from django.db import transaction

from resupply.models import Dispense, DispenseLine, Patient
from resupply.services import plans
from resupply.services.demo.answers import write_answers
from resupply.services.demo.asked import write_asked
from resupply.services.demo.audits import write_audits
from resupply.services.demo.clinic import open_clinic, table
from resupply.services.demo.fitting_room import write_fitting_room
from resupply.services.demo.lists import write_list
from resupply.services.demo.open_days import write_open_days
from resupply.services.demo.overdue import write_overdue_work
from resupply.services.demo.own_page import write_own_pages
from resupply.services.demo.people import SIGNATURE_REFERENCE, tell_all
from resupply.services.demo.policy import write_policy
from resupply.services.demo.recalls import write_recalls
from resupply.services.demo.stock import write_stock
from resupply.services.demo.texts import write_texts
from resupply.services.demo.writing import write_people
from resupply.services.errors import Refused
from resupply.services.records import gather_statistics


@dataclass(frozen=True, slots=True)
class Loaded:
    """What was written; `patients` 0: the demo was there already."""

    patients: int


def load(*, today: date, now: datetime) -> Loaded:
    """Write the demo clinic into a database without patients, all of it or nothing.

    `today` is the day the states are put on, `now` the moment that stored plans are worked out for. Raises
    Refused `not_empty` where there are other patients.
    """
    with transaction.atomic():
        if is_demo():
            return Loaded(0)
        if Patient.objects.exists():
            raise Refused(
                "not_empty",
                "This database has patients already, and the demo clinic is never mixed with them. Name "
                "another, empty database in DATABASE_URL.",
            )
        clinic = open_clinic(today=today, now=now)
        write_open_days(clinic, today=today, now=now)
        patient_ids = write_people(tell_all(today=today), clinic, now=now)
        gather_statistics(Patient, Dispense, DispenseLine)
        write_stock(clinic, today=today, now=now)
        plans.refresh_plans(patient_ids, now=now)
        write_answers(clinic, today=today, now=now)
        write_fitting_room(clinic, today=today, now=now)
        recalled, _ = write_recalls(today=today, now=now)
        write_list(today=today, now=now)
        write_own_pages(today=today, now=now)
        write_texts(today=today, now=now)
        write_asked(today=today, now=now)
        write_overdue_work(today=today, now=now)
        write_policy(today=today, now=now)
        write_audits(recalled, today=today, now=now)
        gather_statistics(*apps.get_app_config("resupply").get_models())
    return Loaded(len(patient_ids))


def is_demo() -> bool:
    """Whether the patients on record are the demo's: its first patient, with the demo's device."""
    given, family = table("people")["names"][0]
    return Patient.objects.filter(
        reference=SIGNATURE_REFERENCE,
        given_name=given,
        family_name=family,
        devices__serial=f"DEMO-{SIGNATURE_REFERENCE}",
    ).exists()
