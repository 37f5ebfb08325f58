"""Chains of refills: worked examples, and against a patient who is given each refill on its day.

The other engine is the plan itself: the parts of the chain are added to the facts as dispenses and the next
refill is read from the patient's plan (which `simulation.py` walks day by day).
"""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.bundling import EVERY_DAY, OpenDays, Refill, fewest_deliveries
from resupply.rules.chains import chain, terms_of
from resupply.rules.facts import (
    Allowance,
    CoverageSpan,
    Delivery,
    LifeVersion,
    PatientFacts,
    Pause,
    PayerTerms,
    Policy,
    RefillRule,
)
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, read
from resupply.rules.periods import Period, Unit, add_days
from tests.rules.build import (
    CUSHION,
    FILTER,
    MASK,
    PAYER,
    TUBING,
    gave,
    insured,
    months,
    on,
    own_life,
    shipped_policy,
)

FAR = date(2028, 1, 1)


def foreseen(
    facts: PatientFacts,
    policy: Policy,
    as_of: date,
    *,
    until: date = FAR,
    open_days: OpenDays = EVERY_DAY,
    earliest: date | None = None,
) -> list[Refill]:
    """The chains of all lines of a patient."""
    found: list[Refill] = []
    for line in plan_lines(facts, policy, as_of=as_of):
        terms = terms_of(line, facts, policy, as_of=as_of)
        found += chain(line, terms, open_days, earliest=earliest or as_of, as_of=as_of, until=until)
    return found


def shown(refills: list[Refill]) -> list[tuple[str, str, str, int]]:
    return [(str(r.opens_on), str(r.closes_on), str(r.refill_on), r.quantity) for r in refills]


def test_a_mask_every_three_months() -> None:
    """One mask a 3 months (published usual maximum and life); the leads of 2024: 10 days before the end."""
    facts = PatientFacts(deliveries=(gave(1, MASK, "2026-01-31", billed_to=PAYER),), coverage=insured())
    assert shown(foreseen(facts, shipped_policy(), on("2026-02-01"), until=on("2027-01-01"))) == [
        ("2026-04-20", "2026-04-30", "2026-04-30", 1),
        ("2026-07-20", "2026-07-30", "2026-07-30", 1),
        ("2026-10-20", "2026-10-30", "2026-10-30", 1),
    ]


def test_cushions_by_the_three_months() -> None:
    """Two a month, three months' worth at once; a life of a month: three units reach the clinic's target."""
    facts = PatientFacts(deliveries=(gave(3, CUSHION, "2026-01-01", billed_to=PAYER),), coverage=insured())
    assert shown(foreseen(facts, shipped_policy(), on("2026-01-02"), until=on("2026-12-01"))) == [
        ("2026-03-22", "2026-04-01", "2026-04-01", 3),
        ("2026-06-21", "2026-07-01", "2026-07-01", 3),
        ("2026-09-21", "2026-10-01", "2026-10-01", 3),
    ]


def test_coverage_that_opens_later_holds_the_next_refill_back() -> None:
    """Tubing, 1 in 3 months, worn after one month by the patient's own life: the window ends on the day
    coverage opens, and the unit given then is worn a month later, again before coverage opens.
    """
    facts = PatientFacts(
        deliveries=(gave(1, TUBING, "2026-01-01", billed_to=PAYER),),
        coverage=insured(),
        own_lives=own_life(TUBING, ("2025-01-01", months(1))),
    )
    assert shown(foreseen(facts, shipped_policy(), on("2026-01-02"), until=on("2026-07-01"))) == [
        ("2026-03-22", "2026-04-01", "2026-04-01", 1),
        ("2026-06-21", "2026-07-01", "2026-07-01", 1),
    ]


def test_a_line_that_is_overdue_is_refilled_now_and_counts_from_then() -> None:
    facts = PatientFacts(deliveries=(gave(1, MASK, "2025-06-01"),))
    assert shown(foreseen(facts, shipped_policy(), on("2026-01-10"), until=on("2026-10-01"))) == [
        ("2025-08-22", "2025-09-01", "2025-09-01", 1),
        ("2026-03-31", "2026-04-10", "2026-04-10", 1),
        ("2026-06-30", "2026-07-10", "2026-07-10", 1),
        ("2026-09-30", "2026-10-10", "2026-10-10", 1),
    ]


def test_a_week_for_the_answer_counts_too() -> None:
    facts = PatientFacts(deliveries=(gave(1, MASK, "2025-06-01"),))
    found = foreseen(
        facts, shipped_policy(), on("2026-01-10"), until=on("2026-05-01"), earliest=on("2026-01-17")
    )
    assert str(found[1].refill_on) == "2026-04-17"


def test_a_shelf_that_is_closed_moves_what_comes_after() -> None:
    """Closed from ten days before the end until the 5th of May: the unit starts that day."""
    facts = PatientFacts(deliveries=(gave(1, MASK, "2026-01-31"),))
    closed = OpenDays(frozenset(range(7)), frozenset(add_days(on("2026-04-20"), n) for n in range(15)))
    found = foreseen(facts, shipped_policy(), on("2026-02-01"), until=on("2026-09-01"), open_days=closed)
    assert [str(one.refill_on) for one in found] == ["2026-04-30", "2026-08-05"]


@pytest.mark.parametrize(
    ("until", "expected", "sentence"),
    [
        (None, [], "in a pause without an end nothing is foreseen"),
        ("2026-06-01", ["2026-06-01", "2026-09-01"], "in one with an end nothing goes out before it"),
    ],
)
def test_a_pause(until: str | None, expected: list[str], sentence: str) -> None:
    pause = Pause(on("2026-03-01"), on(until) if until else None)
    facts = PatientFacts(deliveries=(gave(1, FILTER, "2026-02-01"),), pauses=(pause,))
    found = foreseen(facts, shipped_policy(), on("2026-03-02"), until=on("2026-10-01"))
    assert [str(day.on) for day in fewest_deliveries(found, EVERY_DAY)] == expected, sentence


lives = st.builds(Period, st.integers(1, 4), st.sampled_from([Unit.MONTH, Unit.WEEK])) | st.builds(
    Period, st.integers(12, 60), st.just(Unit.DAY)
)
allowances = st.none() | st.builds(
    Allowance, st.just(date(2000, 1, 1)), st.integers(1, 3), lives, st.integers(1, 3)
)
leads = st.tuples(st.integers(0, 40), st.integers(0, 15))
history = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 4)), min_size=1, max_size=4)
FIRST = date(2025, 11, 29)


@given(
    history, lives, st.none() | st.tuples(st.integers(60, 400), lives), allowances,
    st.lists(st.tuples(st.integers(0, 500), leads), max_size=2), st.integers(0, 200),
)  # fmt: skip
def test_given_on_its_day_each_refill_leads_to_the_next(
    history: list[tuple[int, int]],
    life: Period,
    later_life: tuple[int, Period] | None,
    allowance: Allowance | None,
    rules: list[tuple[int, tuple[int, int]]],
    ahead: int,
) -> None:
    """The refill is added to the facts on the day it comes; the plan of that day names the next one."""
    clinic = {"A7032": (LifeVersion(add_days(FIRST, later_life[0]), later_life[1]),)} if later_life else {}
    policy = Policy(
        kinds={"A7032": Kind.CUSHION},
        default_lives={"A7032": LifeVersion(date.min, life)},
        clinic_lives=clinic,
        payers={
            PAYER: PayerTerms(
                {"A7032": (allowance,)} if allowance else {},
                tuple(RefillRule(add_days(FIRST, day), contact, lead) for day, (contact, lead) in rules),
            )
        },
    )
    deliveries = tuple(
        Delivery(add_days(FIRST, day), Kind.CUSHION, "A7032", quantity, billed_to=PAYER)
        for day, quantity in sorted(history)
    )
    facts = PatientFacts(deliveries=deliveries, coverage=(CoverageSpan(FIRST, PAYER),))
    as_of = add_days(deliveries[-1].on, ahead)
    found = foreseen(facts, policy, as_of, until=add_days(as_of, 400))
    for refill in found[:6]:
        [line] = plan_lines(facts, policy, as_of=as_of)
        assert (refill.opens_on, refill.refill_on) == (line.deliver_from, line.refill_on)
        ends = line.supply_ends_on if line.deliver_from <= line.supply_ends_on else line.refill_on
        assert refill.closes_on == ends
        day = max(refill.refill_on, as_of) if refill.closes_on < as_of else refill.refill_on
        suggested = read(line, as_of=day).quantity_suggested
        while suggested == 0:
            day = add_days(day, 1)
            suggested = read(line, as_of=day).quantity_suggested
        assert refill.quantity == suggested
        more = Delivery(day, Kind.CUSHION, "A7032", refill.quantity, billed_to=PAYER)
        facts, as_of = replace(facts, deliveries=(*facts.deliveries, more)), max(as_of, day)
