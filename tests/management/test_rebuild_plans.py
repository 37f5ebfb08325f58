"""`rebuild_plans`: the same rows from the records, in batches that can be gone on from."""

import subprocess
import sys
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from django.core.management import call_command

from resupply import clock
from resupply.management.commands.rebuild_plans import SPAN
from resupply.models import Patient, PlanChecklist, PlanLine, PlanState
from resupply.services import plans
from tests import builders
from tests.builders import NOW
from tests.services.post_office import ROOT, process_environment

pytestmark = pytest.mark.django_db


def rebuild(*options: str) -> tuple[str, str]:
    """What the command prints to standard output and to standard error, on the suite's usual day."""
    out, err = StringIO(), StringIO()
    with time_machine.travel(NOW, tick=False):
        call_command("rebuild_plans", *options, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def test_it_makes_the_rows_that_a_refresh_makes_and_then_nothing() -> None:
    for _ in range(3):
        builders.make_dispense(builders.make_patient())
    plans.refresh_plans(Patient.objects.values_list("pk", flat=True), now=NOW)
    before = list(PlanLine.objects.order_by("patient").values())
    assert rebuild()[0] == "Plans rebuilt: 0 rows changed.\n"
    assert list(PlanLine.objects.order_by("patient").values()) == before
    PlanLine.objects.all().delete()
    assert rebuild()[0] == "Plans rebuilt: 3 rows changed.\n"
    without_number = [{**row, "id": 0} for row in before]
    assert [{**row, "id": 0} for row in PlanLine.objects.order_by("patient").values()] == without_number


def test_a_wrong_row_and_a_row_too_many_are_mended() -> None:
    patient = builders.make_patient()
    builders.make_dispense(patient)
    plans.refresh_plans([patient.pk], now=NOW)
    right = PlanLine.objects.values().get()
    PlanLine.objects.update(spares=99)
    PlanLine.objects.create(**{**right, "id": None, "kind": "tubing"})
    assert rebuild()[0] == "Plans rebuilt: 2 rows changed.\n"
    assert PlanLine.objects.values().get() == right


def test_it_goes_on_where_it_was_told_and_says_where_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plans, "BATCH", 2)
    patients = [builders.make_patient() for _ in range(5)]
    for patient in patients:
        builders.make_dispense(patient)
    out, err = rebuild("--after", str(patients[1].pk))
    assert out.startswith("Plans rebuilt: ")
    assert [line.split(":")[0] for line in err.splitlines()] == [
        f"done up to {patients[3].pk}",
        f"done up to {patients[4].pk}",
    ]
    assert set(PlanLine.objects.values_list("patient", flat=True)) == {p.pk for p in patients[2:]}


def test_a_plan_that_ran_out_is_brought_to_today() -> None:
    patient = builders.make_patient()
    builders.make_dispense(patient, lines=[{"quantity": 3}], on=NOW.date())
    plans.refresh_plans([patient.pk], now=NOW)
    start = PlanLine.objects.get().in_use_since
    with time_machine.travel(datetime(2026, 4, 20, 15, tzinfo=UTC), tick=False):
        call_command("rebuild_plans", stdout=StringIO(), stderr=StringIO())
    assert PlanLine.objects.get().in_use_since != start


@pytest.mark.django_db(transaction=True)
def test_side_by_side_it_writes_the_same_rows(tmp_path: Path) -> None:
    """As an operator runs it, in a process of its own: it forks, and this one may have threads."""
    last = SPAN * 3
    for pk in (1, 2, SPAN + 1, last):
        builders.make_dispense(builders.make_patient(pk=pk))
    variables = process_environment(folder=tmp_path, email_url="", redis_url="memory://")
    words = [sys.executable, "manage.py", "rebuild_plans", "--processes", "2"]
    variables = {name: value for name, value in variables.items() if name not in {"EMAIL_URL", "CACHE_URL"}}
    done = subprocess.run(words, cwd=ROOT, env=variables, capture_output=True, text=True, timeout=60)
    written = PlanLine.objects.count() + PlanChecklist.objects.count() + PlanState.objects.count()
    assert PlanLine.objects.count() == 4
    assert done.stdout == f"Plans rebuilt: {written} rows changed.\n", done.stderr
    assert f"done up to {last}: {written} rows changed" in done.stderr.splitlines()[-1]
    assert sum(plan for _, plan in plans.rebuild_plans(now=clock.now())) == 0
