"""One sweep by hand."""

from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from resupply import clock
from resupply.delivery.mailbox import list_messages
from resupply.models import PlanLine, PlanState
from tests.services.post_office import make_overdue_patient

pytestmark = pytest.mark.django_db


def send_due() -> str:
    said = StringIO()
    call_command("send_due", stdout=said)
    return said.getvalue().strip()


@pytest.fixture(autouse=True)
def _folder(settings: Any, tmp_path: Path) -> None:
    settings.EMAIL_BACKEND = "clinic.mail.FolderBackend"
    settings.MAIL_FOLDER = tmp_path / "mail"


def test_it_says_what_it_did_and_does_it_once() -> None:
    assert send_due() == "queued 0, sent 0"
    patient = make_overdue_patient("due@patients.example", now=clock.now())
    assert send_due() == "queued 1, sent 1"
    assert send_due() == "queued 0, sent 0"
    assert [mail.to for mail in list_messages()] == [patient.email]


def test_it_brings_plans_up_to_the_day_first() -> None:
    """A plan that ran out and is wrong by now is worked out anew before anybody is written to."""
    patient = make_overdue_patient("due@patients.example", now=clock.now())
    right = PlanLine.objects.values().get()
    PlanLine.objects.update(supply_ends_on=right["supply_ends_on"].replace(year=2099), ask_from="2099-01-01")
    PlanState.objects.filter(patient=patient).update(valid_until=right["supply_ends_on"])
    assert send_due() == "queued 1, sent 1"
    assert PlanLine.objects.values().get() == right
