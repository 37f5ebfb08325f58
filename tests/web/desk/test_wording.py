"""Explanations in words: no step without a sentence, and every date a person reads is the plan's."""

from datetime import date

from hypothesis import given

from resupply.rules.explain import explain_lines
from resupply.rules.facts import Delivery, LifeVersion, PatientFacts, Pause, Policy, Swap
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import shipped_kinds, shipped_lives
from resupply.web.desk.wording import VALUE_LABELS, Wording
from resupply.web.wording import day_words
from tests.rules.strategies import cases

TODAY = date(2026, 3, 18)
CUSHION = Kind.CUSHION


def worded(value: str, **facts: object) -> list[tuple[str, str, str]]:
    """Text, value and source of the steps behind a value of a cushion line under the shipped policy."""
    known = PatientFacts(**facts)  # type: ignore[arg-type]
    policy = Policy(kinds=shipped_kinds(), default_lives=shipped_lives())
    explanation = explain_lines(known, policy, as_of=TODAY)[CUSHION]
    steps = Wording(explanation, known, today=TODAY).of(value)
    return [(step.text, step.value, step.source) for step in steps]


def gave(on: date, quantity: int = 1) -> Delivery:
    return Delivery(on=on, kind=CUSHION, code="A7032", quantity=quantity, ref=f"dispense line {on}")


def test_a_supply_end_is_told_from_the_dispense_on() -> None:
    assert worded("supply_ends_on", deliveries=(gave(date(2026, 2, 1), 2),)) == [
        (
            "No unit was in use, so the one given started as soon as it was ready",
            "Sun 1 Feb",
            "dispense of Sun 1 Feb",
        ),
        ("Started Sun 1 Feb with a life of 1 month, until", "Sun 1 Mar", "shipped life of A7032"),
        (
            "Nobody reported a swap, so the spare counts as started once the unit before was worn",
            "Sun 1 Mar",
            "dispense of Sun 1 Feb",
        ),
        ("Started Sun 1 Mar with a life of 1 month, until", "Wed 1 Apr", "shipped life of A7032"),
    ]


def test_a_unit_that_came_late_started_when_it_came() -> None:
    steps = worded("in_use_since", deliveries=(gave(date(2026, 1, 1)), gave(date(2026, 3, 15))))
    assert steps[-1] == (
        "The unit before was worn already, so the next one started as soon as it was ready",
        "Sun 15 Mar",
        "dispense of Sun 15 Mar",
    )


def test_swaps_pauses_and_shorter_lives_are_named() -> None:
    steps = worded(
        "worn_on",
        deliveries=(gave(date(2026, 1, 1), 2),),
        swaps=(Swap(date(2026, 1, 20), CUSHION, "swap 7"),),
        pauses=(Pause(date(2026, 1, 25), date(2026, 2, 1), "pause 8"),),
        own_lives={
            "A7032": (LifeVersion(date(2026, 3, 2), Period(1, Unit.WEEK), "this patient's own life"),)
        },
    )
    texts = [text for text, _, _ in steps]
    assert "The patient reported the swap" in texts
    assert steps[texts.index("The patient reported the swap")][1:] == (
        "Tue 20 Jan",
        "swap reported for Tue 20 Jan",
    )
    assert "Paused days while this unit was in use" in texts
    assert "Moved on by the 7 paused days" in texts


def test_a_patient_who_pays_has_no_limit_and_no_date() -> None:
    (step,) = worded("covered_from", deliveries=(gave(date(2026, 2, 1)),))
    assert step == ("The patient pays, so no payer's allowance applies", "", "")


@given(cases())
def test_every_step_has_words_and_every_value_is_the_plans(case: tuple[PatientFacts, Policy, date]) -> None:
    facts, policy, as_of = case
    explained = explain_lines(facts, policy, as_of=as_of)
    for plan in plan_lines(facts, policy, as_of=as_of):
        wording = Wording(explained[plan.kind], facts, today=as_of)
        groups = {label: value for label, value, _ in wording.all()}
        assert list(groups) == list(VALUE_LABELS.values())
        assert groups["Supply ends"] == day_words(plan.supply_ends_on, today=as_of)
        assert groups["May be dispensed from"] == day_words(plan.deliver_from, today=as_of)
        assert groups["Spares"] == str(plan.spares)
        for value in VALUE_LABELS:
            for step in wording.of(value):
                assert "{" not in step.text
                assert "@" not in step.text + step.value
