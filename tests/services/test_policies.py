"""Policy versions: every plan they bear on follows in the same transaction, and no other."""

from collections.abc import Callable
from datetime import date

import pytest

from resupply.models import Payer, PlanLine, RefillSource
from resupply.rules.periods import Period, Unit
from resupply.services import plans, policies
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_dispense, make_event, make_patient
from tests.cast import Cast

MONTHS = Unit.MONTH


@pytest.fixture
def clinic(cast: Cast) -> Cast:
    """Both patients got a cushion on 2026-03-01; a third got tubing."""
    for patient in (cast.odalys, cast.tevin):
        billed = {"billed": True, "billed_to": cast.payer} if patient == cast.odalys else {}
        make_dispense(patient, on=date(2026, 3, 1), lines=[billed])
    other = make_patient(location=cast.north)
    make_dispense(other, on=date(2026, 3, 1), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([cast.odalys.pk, cast.tevin.pk, other.pk], now=NOW)
    return cast


def ends() -> list[date]:
    return list(PlanLine.objects.order_by("patient__reference").values_list("supply_ends_on", flat=True))


def set_life(clinic: Cast, life: Period, **over: object) -> None:
    values: dict[str, object] = {"effective_from": TODAY, "reason": "", "by": clinic.manager.user, "now": NOW}
    policies.set_life("A7032", life, **values | over)  # type: ignore[arg-type]


def test_a_clinic_life_moves_every_holder_of_the_code(clinic: Cast) -> None:
    assert ends() == [date(2026, 4, 1), date(2026, 4, 1), date(2026, 6, 1)]
    set_life(clinic, Period(2, MONTHS))
    assert ends() == [date(2026, 5, 1), date(2026, 5, 1), date(2026, 6, 1)]


def test_a_life_reaches_the_parts_packed_with_a_mask(clinic: Cast) -> None:
    patient = make_patient(location=clinic.north, reference="Z1")
    make_dispense(patient, on=date(2026, 3, 1), lines=[{"part_code": "A7034", "contains": ["A7032"]}])
    plans.refresh_plans([patient.pk], now=NOW)
    set_life(clinic, Period(2, MONTHS))
    assert PlanLine.objects.get(patient=patient, kind="cushion").supply_ends_on == date(2026, 5, 1)


def test_an_allowance_reaches_the_payers_patients(clinic: Cast) -> None:
    before = PlanLine.objects.get(patient=clinic.tevin)
    policies.set_allowance(
        clinic.payer,
        "A7032",
        units=1,
        period=Period(2, MONTHS),
        at_once_periods=1,
        effective_from=TODAY,
        by=clinic.manager.user,
        now=NOW,
    )
    plan = PlanLine.objects.get(patient=clinic.odalys)
    assert (plan.covered_from, plan.refill_on) == (date(2026, 5, 1), date(2026, 5, 1))
    assert PlanLine.objects.get(patient=clinic.tevin).refill_on == before.refill_on


def test_leads_and_terms_move_the_days_to_ask(clinic: Cast) -> None:
    policies.set_refill_rule(
        None,
        contact_lead_days=20,
        delivery_lead_days=5,
        effective_from=date(2020, 1, 1),
        by=None,
        now=NOW,
    )
    plan = PlanLine.objects.get(patient=clinic.tevin)
    assert (plan.ask_from, plan.deliver_from) == (date(2026, 3, 12), date(2026, 3, 27))
    policies.set_terms(gap_days=14, target=Period(1, MONTHS), effective_from=TODAY, by=None, now=NOW)
    plan = PlanLine.objects.get(patient=clinic.tevin)
    assert (plan.ask_from, plan.target_units) == (date(2026, 3, 15), 1)


def test_a_payers_own_refill_rule_counts_from_then_on(clinic: Cast) -> None:
    policies.set_refill_rule(
        clinic.payer,
        contact_lead_days=14,
        delivery_lead_days=3,
        effective_from=date(2020, 1, 1),
        by=None,
        now=NOW,
    )
    assert Payer.objects.get(pk=clinic.payer.pk).refill_source == RefillSource.OWN
    assert PlanLine.objects.get(patient=clinic.odalys).deliver_from == date(2026, 3, 29)


def test_a_cleaning_choice_reaches_every_checklist(clinic: Cast) -> None:
    patient = clinic.tevin
    daily = patient.plan_checklists.get(frequency="daily")
    task = daily.tasks[0]
    policies.set_cleaning(task, "weekly", effective_from=TODAY, by=None, now=NOW)
    assert task in patient.plan_checklists.order_by("starts_on").filter(frequency="weekly").last().tasks


def test_plans_stay_right_with_a_pause_open(clinic: Cast) -> None:
    make_event(clinic.odalys, "pause", on=date(2026, 3, 10))
    set_life(clinic, Period(2, MONTHS))
    assert ends()[0] == date(2026, 5, 9)


def allow(clinic: Cast, **over: object) -> None:
    values: dict[str, object] = {"units": 1, "period": Period(1, MONTHS), "at_once_periods": 1}
    policies.set_allowance(clinic.payer, "A7032", **STAMP | values | over)  # type: ignore[arg-type]


def leads(clinic: Cast, contact: int, delivery: int) -> None:
    policies.set_refill_rule(None, contact_lead_days=contact, delivery_lead_days=delivery, **STAMP)  # type: ignore[arg-type]


def terms(clinic: Cast, gap_days: int) -> None:
    policies.set_terms(gap_days=gap_days, target=Period(3, MONTHS), **STAMP)  # type: ignore[arg-type]


def clean(clinic: Cast, frequency: str) -> None:
    policies.set_cleaning("wash_mask", frequency, **STAMP)  # type: ignore[arg-type]


def unknown(clinic: Cast) -> None:
    policies.set_life("A1", Period(1, MONTHS), reason="", **STAMP)  # type: ignore[arg-type]


STAMP = {"effective_from": TODAY, "by": None, "now": NOW}
MONTH = Period(1, MONTHS)


@pytest.mark.parametrize(
    ("write", "code"),
    [
        (unknown, "unknown_code"),
        (lambda c: set_life(c, Period(1201, MONTHS)), "period"),
        (lambda c: leads(c, 5, 10), "leads"),
        (lambda c: leads(c, 366, 10), "leads"),
        (lambda c: terms(c, -1), "gap_days"),
        (lambda c: clean(c, "hourly"), "frequency"),
        (lambda c: allow(c, units=0), "units"),
        (lambda c: allow(c, at_once_periods=0), "at_once"),
    ],
)
def test_refused(write: Callable[[Cast], None], code: str, clinic: Cast) -> None:
    before = ends()
    with pytest.raises(Refused) as refused:
        write(clinic)
    assert refused.value.code == code
    assert ends() == before
