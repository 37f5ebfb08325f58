"""Digests of plans: a rebuild looks again where anything changed, by whatever way, and only there."""

import re
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from resupply.models import (
    CleaningChoice,
    Dispense,
    DispenseLine,
    Patient,
    PlanChecklist,
    PlanLine,
    PlanState,
    StandingYes,
)
from resupply.queries import plan_digests
from resupply.services import plans
from tests import builders
from tests.builders import NOW

pytestmark = pytest.mark.django_db
CALENDARS = {"resupply_subscription"}
"""Told of what changed; no plan is worked out from them."""


def to_work_out() -> list[int]:
    """The patients a rebuild would work out now."""
    found = plan_digests.look(0, 2**40, rules=plan_digests.rules_digest(), horizon=NOW.date())
    return [facts.patient_id for facts in found]


def rebuild(**how: bool) -> int:
    """Rows written by a rebuild."""
    return sum(written for _, written in plans.rebuild_plans(now=NOW, **how))


def sql(statement: str, *values: object) -> None:
    """Past every service and trigger."""
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute(statement, values)
        cursor.execute("SET LOCAL session_replication_role = DEFAULT")


def two_patients() -> tuple[Patient, Patient]:
    """With a mask each, a yes of the first, and plans rebuilt."""
    first, second = builders.make_patient(), builders.make_patient()
    for patient in (first, second):
        builders.make_dispense(patient, on=NOW.date() - timedelta(days=100))
    builders.make_answer(first)
    rebuild()
    return first, second


def test_nothing_is_worked_out_again_where_nothing_changed() -> None:
    two_patients()
    assert to_work_out() == []
    assert rebuild() == 0


CHANGES: dict[str, Callable[[Patient], object]] = {
    "patient": lambda patient: sql("UPDATE resupply_patient SET status = 'ended' WHERE id = %s", patient.pk),
    "dispense": lambda patient: Dispense.objects.filter(patient=patient).update(
        dispensed_on=date(2026, 1, 2)
    ),
    "its line": lambda patient: sql(
        "UPDATE resupply_dispenseline SET quantity = 2 WHERE dispense_id IN"
        " (SELECT id FROM resupply_dispense WHERE patient_id = %s)",
        patient.pk,
    ),
    "an answer": lambda patient: builders.make_answer(patient),
    "its plan": lambda patient: PlanLine.objects.filter(patient=patient).update(spares=9),
    "its plan gone": lambda patient: PlanLine.objects.filter(patient=patient).delete(),
    "its checklists gone": lambda patient: PlanChecklist.objects.filter(patient=patient).delete(),
    "its day": lambda patient: PlanState.objects.filter(patient=patient).update(valid_until=None),
    "its yes": lambda patient: StandingYes.objects.filter(patient=patient).delete(),
    "its plan runs out": lambda patient: PlanState.objects.filter(patient=patient).update(
        valid_until=NOW.date()
    ),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_any_change_of_a_patient_shows_and_is_mended(change: Callable[[Patient], object]) -> None:
    first, _ = two_patients()
    change(first)
    assert to_work_out() == [first.pk]
    rebuild()
    assert to_work_out() == []


def test_a_rule_that_changed_concerns_everybody() -> None:
    first, second = two_patients()
    builders.make_payer()
    rebuild()
    for change in (
        lambda: CleaningChoice.objects.create(
            task="wash_mask", frequency="", effective_from=date(2027, 1, 1)
        ),
        lambda: sql("UPDATE resupply_payer SET refill_source = 'own'"),
    ):
        change()
        assert to_work_out() == [first.pk, second.pk]
        rebuild()
        assert to_work_out() == []


def test_a_new_version_of_the_program_concerns_everybody(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = two_patients()
    monkeypatch.setattr(plan_digests, "_program_digest", lambda: 1)
    assert to_work_out() == [first.pk, second.pk]


def test_what_was_written_after_the_look_shows_at_the_next() -> None:
    """A fact that comes between the look and the plan may or may not have been read: it counts as not."""
    first, _ = two_patients()
    rules = plan_digests.rules_digest()
    looked_at = plan_digests.look(first.pk, first.pk, rules=rules, horizon=NOW.date(), doubting=True)
    DispenseLine.objects.filter(dispense__patient=first).update(quantity=5)
    plan_digests.keep(looked_at, rules=rules)
    assert to_work_out() == [first.pk]


def test_every_table_that_a_refresh_reads_is_covered() -> None:
    first, _ = two_patients()
    builders.make_payer()  # the rules are read too
    with CaptureQueriesContext(connection) as queries:
        plans.refresh_plans([first.pk], now=NOW)
    said = " ".join(query["sql"] for query in queries)
    assert "resupply_unused_yeses" in said
    read = tables_in(said) | tables_in(body("resupply_unused_yeses"))
    assert {"resupply_dispenseline", "resupply_payer", "resupply_planline"} <= read
    clinic = tables_in(body("resupply_rules_digest"))
    assert read - CALENDARS <= plan_digests.COVERED | clinic


def tables_in(text: str) -> set[str]:
    """Tables that SQL reads."""
    return set(re.findall(r"(?:FROM|JOIN)\s+\"?(resupply_\w+)", text)) - {"resupply_rules_digest"}


def body(function: str) -> str:
    """A function of the database, as it stands there."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT prosrc FROM pg_proc WHERE proname = %s", [function])
        (text,) = cursor.fetchall()[0]
    return str(text)
