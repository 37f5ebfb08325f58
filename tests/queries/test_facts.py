"""Facts are read in a fixed number of queries, and as they were on record at a moment."""

from datetime import UTC, date, datetime

import pytest
from pytest_django import DjangoAssertNumQueries

from resupply.models import CleaningChoice, ClinicTermsVersion, RefillRuleVersion
from resupply.queries.facts import clinic_rules, patient_facts, payer_key, wear_facts
from resupply.rules import facts
from resupply.rules.cleaning import CleaningVersion, Frequency
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import shipped_refill_rules
from resupply.services import plans
from tests.builders import (
    NOW,
    make_coverage,
    make_dispense,
    make_event,
    make_life,
    make_location,
    make_patient,
    make_payer,
)

pytestmark = pytest.mark.django_db
SINCE = date(2020, 1, 1)


def test_the_clinic_s_rules_are_what_was_recorded(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    shipped = make_payer(refill_source="shipped", allowances=[{}, {"units": 3}])
    own = make_payer(refill_source="own")
    RefillRuleVersion.objects.create(
        payer=own, effective_from=SINCE, contact_lead_days=20, delivery_lead_days=5
    )
    RefillRuleVersion.objects.create(effective_from=SINCE, contact_lead_days=21, delivery_lead_days=6)
    ClinicTermsVersion.objects.create(effective_from=SINCE, gap_days=8, target_count=2, target_unit="month")
    CleaningChoice.objects.create(task="wash_mask", frequency="", effective_from=SINCE)
    CleaningChoice.objects.create(task="wash_mask", frequency="weekly", effective_from=SINCE)
    make_life()
    make_life(patient=make_patient(), reason="sensitive skin", period_count=2)
    with django_assert_num_queries(1):
        rules = clinic_rules()
    of_payer = rules.policy.payers
    assert [allowance.units for allowance in of_payer[payer_key(shipped.pk)].allowances["A7032"]] == [2, 3]
    assert of_payer[payer_key(shipped.pk)].refill_rules == shipped_refill_rules()
    assert of_payer[payer_key(own.pk)].refill_rules == (
        facts.RefillRule(SINCE, 20, 5, "the payer's own refill rule from 2020-01-01"),
    )
    assert rules.policy.clinic_refill_rules == (
        facts.RefillRule(SINCE, 21, 6, "the clinic's own leads from 2020-01-01"),
    )
    assert rules.policy.clinic_terms == (
        facts.ClinicTerms(SINCE, 8, Period(2, Unit.MONTH), "the clinic's terms from 2020-01-01"),
    )
    assert rules.policy.clinic_lives == {
        "A7032": (facts.LifeVersion(SINCE, Period(1, Unit.MONTH), "the clinic's policy from 2020-01-01"),)
    }
    why = "the clinic's choice from 2020-01-01"
    assert rules.cleaning == (
        CleaningVersion(SINCE, "wash_mask", None, why),
        CleaningVersion(SINCE, "wash_mask", Frequency.WEEKLY, why),
    )


def test_the_facts_of_a_patient_are_what_was_recorded(
    django_assert_num_queries: DjangoAssertNumQueries,
) -> None:
    payer = make_payer()
    patient, other = make_patient(payer=payer), make_patient()
    make_coverage(patient, None, starts_on=date(2026, 1, 5))
    make_life(patient=patient, reason="sensitive skin", period_count=None, effective_from=date(2026, 1, 2))
    dispense = make_dispense(patient)
    later = make_event(patient, "swap", on=date(2026, 2, 9))
    earlier = make_event(patient, "swap", on=date(2026, 2, 3))
    refit = make_event(patient, "refit")
    pause = make_event(patient, "pause", until=date(2026, 2, 20))
    lost = make_event(patient, "loss")
    make_event(other, "loss")
    with django_assert_num_queries(2):
        found = patient_facts([patient.pk, other.pk])
    assert found[patient.pk] == facts.PatientFacts(
        deliveries=(
            facts.Delivery(
                date(2026, 1, 1), Kind.CUSHION, "A7032", 1, ref=f"dispense line {dispense.lines.get().pk}"
            ),
        ),
        swaps=(
            facts.Swap(date(2026, 2, 3), Kind.CUSHION, f"swap {earlier.pk}"),
            facts.Swap(date(2026, 2, 9), Kind.CUSHION, f"swap {later.pk}"),
        ),
        losses=(facts.Loss(date(2026, 2, 1), Kind.CUSHION, f"loss {lost.pk}"),),
        refits=(facts.Refit(date(2026, 2, 1), "Aspen", f"refit {refit.pk}"),),
        pauses=(facts.Pause(date(2026, 2, 1), date(2026, 2, 20), f"pause {pause.pk}"),),
        own_lives={
            "A7032": (facts.LifeVersion(date(2026, 1, 2), None, "this patient's own life from 2026-01-02"),)
        },
        coverage=(
            facts.CoverageSpan(SINCE, payer_key(payer.pk)),
            facts.CoverageSpan(date(2026, 1, 5), ""),
        ),
    )
    assert len(found[other.pk].losses) == 1
    with django_assert_num_queries(2):
        worn, policy = wear_facts(patient.pk)
    assert (worn.swaps, worn.own_lives, worn.coverage) == (
        found[patient.pk].swaps,
        found[patient.pk].own_lives,
        (),
    )
    assert policy.clinic_lives == {}


def test_only_what_was_on_record_at_a_moment_counts() -> None:
    """Recorded by then, and not voided by then."""
    patient = make_patient()
    before, moment, after = (datetime(2026, 3, day, tzinfo=UTC) for day in (1, 2, 3))
    make_event(patient, "loss", on=date(2026, 2, 1), recorded_at=before)
    make_event(patient, "loss", on=date(2026, 2, 2), recorded_at=after)
    make_event(
        patient, "loss", on=date(2026, 2, 3), recorded_at=before, voided_at=after, void_reason="wrong patient"
    )
    make_event(
        patient, "loss", on=date(2026, 2, 4), recorded_at=before, voided_at=before, void_reason="typed twice"
    )
    make_life(recorded_at=after)

    def days(known_at: datetime | None) -> list[int]:
        return [loss.on.day for loss in patient_facts([patient.pk], known_at=known_at)[patient.pk].losses]

    assert days(moment) == [1, 3]
    assert days(None) == [1, 2]
    assert clinic_rules(known_at=moment).policy.clinic_lives == {}
    assert "A7032" in clinic_rules().policy.clinic_lives


def test_a_refresh_asks_little_and_the_same_for_one_patient_and_for_many(
    django_assert_max_num_queries: DjangoAssertNumQueries, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    """At most ten queries within a dispense, whatever it changes; the first after a change of policy has two
    more, to read and keep the clinic's rules.
    """
    make_location()
    payer = make_payer(refill_source="shipped", allowances=[{}])
    many = [make_patient(payer=payer) for _ in range(12)]
    for patient in many:
        make_dispense(patient, lines=[{"part_code": "A7034"}, {}])
    with django_assert_max_num_queries(11):
        assert plans.refresh_plans([many[0].pk], now=NOW)
    with django_assert_max_num_queries(9):
        assert plans.refresh_plans([patient.pk for patient in many], now=NOW)
    with django_assert_num_queries(6):
        assert plans.refresh_plans([patient.pk for patient in many], now=NOW) == 0
