"""A patient's own life of a part: it moves that patient's plan alone, and whatever was said can be undone."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest

from resupply.models import LifeVersion, Patient, PlanLine
from resupply.queries.own_lives import part_lives, versions_of
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit
from resupply.services import own_lives, plans
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_dispense, make_life, make_patient
from tests.cast import Cast

pytestmark = pytest.mark.django_db
TWO_WEEKS = Period(2, Unit.WEEK)
BY_POLICY, OWN = date(2026, 4, 1), date(2026, 3, 15)
"""A cushion of 2026-03-01: worn after a month; after two weeks."""


@pytest.fixture
def wearer(cast: Cast) -> Patient:
    """Tevin, who got a cushion on 2026-03-01, as did another."""
    for patient in (cast.tevin, make_patient(location=cast.north)):
        make_dispense(patient, on=date(2026, 3, 1), lines=[{}])
        plans.refresh_plans([patient.pk], now=NOW)
    return cast.tevin


def worn_on(patient: Patient) -> date | None:
    return PlanLine.objects.get(patient=patient).worn_on


def set_to(patient: Patient, life: Period | None, **over: object) -> LifeVersion:
    code = str(over.pop("code", "A7032"))
    values: dict[str, object] = {"effective_from": date(2026, 3, 2), "reason": "skin", "by": None, "now": NOW}
    return own_lives.set_own_life(patient, code, life, **values | over)  # type: ignore[arg-type]


def test_it_moves_that_patient_alone_and_the_policy_can_count_again(wearer: Patient) -> None:
    set_to(wearer, TWO_WEEKS)
    assert worn_on(wearer) == OWN
    assert worn_on(Patient.objects.exclude(pk=wearer.pk).get(plan_lines__isnull=False)) == BY_POLICY
    set_to(wearer, None)
    assert worn_on(wearer) == BY_POLICY


def test_voided_what_counted_before_counts_again(wearer: Patient) -> None:
    first = set_to(wearer, TWO_WEEKS)
    second = set_to(wearer, Period(3, Unit.WEEK))
    own_lives.void_own_life(second, reason="another patient's", by=None, now=NOW)
    assert worn_on(wearer) == OWN
    own_lives.void_own_life(first, reason="healed", by=None, now=NOW)
    assert worn_on(wearer) == BY_POLICY
    assert [row.void_reason for row in versions_of(wearer)] == ["another patient's", "healed"]


def test_worn_stays_worn_whatever_a_later_version_says(wearer: Patient) -> None:
    """A month longer from today leaves what two weeks had worn before."""
    set_to(wearer, TWO_WEEKS)
    set_to(wearer, Period(2, Unit.MONTH), effective_from=TODAY)
    assert worn_on(wearer) == OWN


def test_the_page_shows_the_policy_beside_the_patients_own(wearer: Patient) -> None:
    make_life(period_count=6, period_unit="week", effective_from=date(2026, 1, 1))
    (before,) = part_lives(wearer, today=TODAY)
    assert (before.kind, before.by_policy.life, before.own) == (Kind.CUSHION, Period(6, Unit.WEEK), None)
    set_to(wearer, TWO_WEEKS)
    (after,) = part_lives(wearer, today=TODAY)
    assert (after.by_policy.life, after.own, after.own_since) == (
        Period(6, Unit.WEEK),
        TWO_WEEKS,
        date(2026, 3, 2),
    )
    set_to(wearer, None, effective_from=TODAY)
    (again,) = part_lives(wearer, today=TODAY)
    assert (again.own, again.own_since) == (None, None)


@pytest.mark.parametrize(
    ("write", "code"),
    [
        (lambda p: set_to(p, TWO_WEEKS, reason=" "), "reason_missing"),
        (lambda p: set_to(p, TWO_WEEKS, reason="x" * 301), "reason_long"),
        (lambda p: set_to(p, Period(1201, Unit.MONTH)), "period"),
        (lambda p: set_to(p, TWO_WEEKS, effective_from=p.birth_date - timedelta(days=1)), "before_birth"),
        (lambda p: set_to(p, TWO_WEEKS, effective_from=TODAY + timedelta(days=367)), "too_far"),
        (lambda p: set_to(p, None), "no_own_life"),
        (lambda p: set_to(p, TWO_WEEKS, code="A1"), "unknown_code"),
    ],
)
def test_what_is_refused_writes_nothing(
    wearer: Patient, write: Callable[[Patient], object], code: str
) -> None:
    with pytest.raises(Refused) as refused:
        write(wearer)
    assert refused.value.code == code
    assert not LifeVersion.objects.exists()
    assert worn_on(wearer) == BY_POLICY


@pytest.mark.parametrize("life", [TWO_WEEKS, None])
def test_sent_twice_it_is_on_record_once(wearer: Patient, life: Period | None) -> None:
    set_to(wearer, Period(3, Unit.WEEK))
    set_to(wearer, life)
    with pytest.raises(Refused) as refused:
        set_to(wearer, life)
    assert refused.value.code == "already"
    assert LifeVersion.objects.count() == 2
