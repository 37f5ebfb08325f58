"""Demand by week: against a simulation of the same clinic, what is conserved, ranges, and what to order.

References: the plans of patients who are given their parts after random delays (`plan_lines`);
`scipy.stats.binom` and `poisson_binom` for ranges.
"""

import random
from dataclasses import replace
from datetime import date
from itertools import pairwise
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from resupply.rules.bundling import EVERY_DAY
from resupply.rules.chains import chain, terms_of
from resupply.rules.delays import Delay, kaplan_meier
from resupply.rules.demand import (
    BETWEEN_ORDERS,
    ORDER_WEEKS,
    WEEKS,
    Shelf,
    Tally,
    by_week,
    exact_range,
    normal_range,
    order,
    paces,
    upper_sums,
)
from resupply.rules.facts import ClinicTerms, Delivery, LifeVersion, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, read
from resupply.rules.periods import Period, Unit, add_days

TODAY = date(2026, 3, 18)
CODE, UNTIL = "A7032", WEEKS * 7 - TODAY.weekday()
POLICY = Policy(
    kinds={CODE: Kind.CUSHION},
    default_lives={CODE: LifeVersion(date.min, Period(4, Unit.WEEK))},
    clinic_terms=(ClinicTerms(date.min, target=Period(12, Unit.WEEK)),),
)
"""A life of four weeks and a target of twelve: three units a refill, whenever it comes."""
SEEN = [-8] * 2 + [-3] * 3 + [0] * 3 + [5] * 5 + [19] * 4 + [40] * 2 + [75]
CURVE = kaplan_meier([Delay(days, True) for days in SEEN])


def clinic() -> list[PatientFacts]:
    """Patients whose supply of three ended or ends between seventy days ago and seventy ahead."""
    lines = []
    for number in range(45):
        day = add_days(TODAY, -154 + number * 3)
        lines.append(PatientFacts(deliveries=(Delivery(day, Kind.CUSHION, CODE, 3),)))
    return lines


def foreseen(people: list[PatientFacts]) -> Tally:
    tally = Tally()
    for facts in people:
        [plan] = plan_lines(facts, POLICY, as_of=TODAY)
        terms = terms_of(plan, facts, POLICY, as_of=TODAY)
        refills = list(
            chain(plan, terms, EVERY_DAY, earliest=TODAY, as_of=TODAY, until=add_days(TODAY, UNTIL + 10))
        )
        waited = (TODAY - plan.refill_on).days
        days = paces(
            -waited,
            [84] * (len(refills) - 1),
            first_chances=CURVE.chances_beyond(waited - 1),
            chances=CURVE.chances(),
            until=UNTIL,
        )
        for refill, chances in zip(refills, days, strict=True):
            week = ((max(refill.closes_on, TODAY) - TODAY).days + TODAY.weekday()) // 7
            weeks = by_week(chances, weekday=TODAY.weekday())
            tally.add(refill.quantity, on_time_week=week, chances=weeks)
    return tally


def lived(facts: PatientFacts, dice: random.Random) -> list[tuple[int, int]]:
    """Week and units of what one patient is given, each refill after a delay drawn from what was seen."""
    given, as_of = [], TODAY
    while True:
        [plan] = plan_lines(facts, POLICY, as_of=as_of)
        delay = dice.choice(
            [days for days in SEEN if as_of > TODAY or add_days(plan.refill_on, days) >= TODAY]
        )
        on = add_days(plan.refill_on, delay)
        week = ((on - TODAY).days + TODAY.weekday()) // 7
        if week >= WEEKS:
            return given
        units = read(plan, as_of=max(on, plan.deliver_from)).quantity_suggested
        given.append((week, units))
        facts = replace(facts, deliveries=(*facts.deliveries, Delivery(on, Kind.CUSHION, CODE, units)))
        as_of = max(on, plan.refill_on)


def test_the_outlook_of_a_simulated_clinic() -> None:
    """150 half-years of the same clinic: their means lie within 4.5 standard errors, week by week, and about
    four in five of their weeks within the range.
    """
    people, dice, runs = clinic(), random.Random(20260318), 150
    tally = foreseen(people)
    sums, inside = [0] * WEEKS, 0
    ranges = tally.ranges()
    for _ in range(runs):
        weeks = [0] * WEEKS
        for facts in people:
            for week, units in lived(facts, dice):
                weeks[week] += units
        sums = [a + b for a, b in zip(sums, weeks, strict=True)]
        inside += sum(low <= n <= high for n, (low, high) in zip(weeks, ranges, strict=True))
    for total, expected, variance in zip(sums, tally.expected, tally.variance, strict=True):
        assert abs(total / runs - expected) <= 4.5 * sqrt(variance / runs) + 1e-9
    assert sum(sums) / runs == pytest.approx(sum(tally.expected), rel=0.02)
    assert 0.78 <= inside / (runs * WEEKS) <= 0.97


def test_on_time_and_later_add_up_to_every_unit() -> None:
    tally = foreseen(clinic())
    units = 3 * tally.refills
    assert sum(tally.on_time) + tally.later_on_time == units
    assert sum(tally.expected) + tally.later == pytest.approx(units)
    assert tally.later > 0


chances = st.lists(st.tuples(st.integers(-10, 60), st.floats(0.01, 1)), max_size=5).map(
    lambda raw: [(days, chance / max(1.0, sum(one for _, one in raw))) for days, chance in raw]
)


@given(st.integers(-40, 60), st.lists(st.integers(1, 90), max_size=3), chances, chances)
def test_nothing_is_lost_between_weeks_and_later(
    first: int, gaps: list[int], first_chances: list[tuple[int, float]], others: list[tuple[int, float]]
) -> None:
    """Every refill's chances are between 0 and 1, and no refill is likelier than the one before it."""
    days = paces(first, gaps, first_chances=first_chances, chances=others, until=UNTIL)
    assert len(days) == len(gaps) + 1
    totals = [sum(one) for one in days]
    assert all(-1e-9 <= total <= 1 + 1e-9 for total in totals)
    assert all(later <= before + 1e-9 for before, later in pairwise(totals))
    assert [sum(by_week(one, weekday=2)) for one in days] == pytest.approx(totals)


def test_at_no_delay_the_own_pace_is_the_pace_on_time() -> None:
    days = paces(5, [84], first_chances=[(0, 1.0)], chances=[(0, 1.0)], until=180)
    assert [day for one in days for day, chance in enumerate(one) if chance] == [5, 89]


def test_what_comes_early_moves_nothing_and_what_comes_late_moves_the_next() -> None:
    early = paces(20, [84], first_chances=[(-7, 1.0)], chances=[(0, 1.0)], until=180)
    late = paces(20, [84], first_chances=[(7, 1.0)], chances=[(0, 1.0)], until=180)
    assert (early[1].index(1.0), late[1].index(1.0)) == (104, 111)


@given(st.lists(st.floats(0.01, 0.99), min_size=1, max_size=12))
def test_ranges_as_the_reference_library(chance: list[float]) -> None:
    reference = stats.poisson_binom(chance)
    low, high = exact_range([(1, one) for one in chance])
    for found, share in ((low, 0.1), (high, 0.9)):
        assert reference.cdf(found) >= share - 1e-9
        assert found == 0 or reference.cdf(found - 1) <= share + 1e-9


def test_many_refills_are_as_good_as_normal() -> None:
    low, high = stats.binom(400, 0.3).ppf([0.1, 0.9])
    assert normal_range(120, 400 * 0.3 * 0.7) == (pytest.approx(low, abs=1), pytest.approx(high, abs=1))


EVEN, SURE = [5.0] * WEEKS, [0.0] * WEEKS
ORDERS = [
    (Shelf(200, 0), None, "what there is lasts half a year"),
    (Shelf(60, 0), (10, 20), "60 last 12 weeks: to be ordered by week 10, as much as the next 6 weeks take"),
    (Shelf(60, 20), (6, 20), "20 of them are owed"),
    (
        Shelf(60, 0, low_at=20, order_up_to=80),
        (6, 60),
        "8 weeks until the reorder point; filled to the target",
    ),
    (Shelf(12, 0, low_at=20, order_up_to=80), (0, 68), "already below it: now, up to the target"),
    (Shelf(0, 0), (0, 30), "nothing left: what the weeks to the order after it take"),
    (Shelf(0, 9), (0, 39), "and what is owed"),
]


@pytest.mark.parametrize(("shelf", "expected", "sentence"), ORDERS, ids=[row[-1] for row in ORDERS])
def test_what_to_order(shelf: Shelf, expected: tuple[int, int] | None, sentence: str) -> None:
    """Five a week, for sure; an order takes two weeks and is to last four more."""
    found = order(shelf, EVEN, SURE)
    assert (found and (found.weeks, found.quantity)) == expected, sentence
    assert (ORDER_WEEKS, BETWEEN_ORDERS) == (2, 4)


@given(
    st.integers(0, 300), st.integers(0, 30), st.integers(0, 40), st.integers(1, 60),
    st.lists(st.floats(0, 20), min_size=WEEKS, max_size=WEEKS),
)  # fmt: skip
def test_until_an_order_is_there_the_shelf_holds(
    usable: int, owed: int, low_at: int, more: int, expected: list[float]
) -> None:
    """Ordered in the week named, nothing falls below the point before it is there, nor until the next."""
    found = order(Shelf(usable, owed, low_at, low_at + more), expected, SURE)
    needs = upper_sums(expected, SURE)
    available = usable - owed
    if found is None:
        assert available - needs[-1] >= low_at
        return
    if found.weeks:
        assert available - needs[found.weeks + ORDER_WEEKS - 1] >= low_at
    last = min(found.weeks + ORDER_WEEKS + BETWEEN_ORDERS, WEEKS) - 1
    assert available + found.quantity - needs[last] >= low_at
