"""Fewest deliveries: worked examples, every set of days on small cases, an integer program on larger ones.

References: exhaustive search; `scipy.optimize.milp` (HiGHS, a general-purpose solver) on the covering problem
"choose days, each window at least one"; the greedy choice by earliest end is the textbook one for stabbing
intervals (common practice).
"""

from dataclasses import asdict
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from resupply.rules.bundling import (
    EVERY_DAY,
    DeliveryDay,
    OpenDays,
    Refill,
    fewest_deliveries,
    first_delivery,
    reach,
    refills_of,
)
from resupply.rules.explain_bundling import explain_delivery
from tests.rules.recompute import recompute

MONDAY = date(2026, 3, 2)


def on(n: int) -> date:
    """The day so many days after a Monday."""
    return MONDAY + timedelta(days=n)


def refill(kind: str, opens: int, closes: int, not_before: int = -1000) -> Refill:
    return Refill(kind, on(opens), on(closes), on(closes), 1, not_before=on(not_before))


def shown(days: tuple[DeliveryDay, ...]) -> str:
    """`4 ab, 18 c late`: days after the Monday, what goes out, what of it is late."""
    return ", ".join(
        f"{(day.on - MONDAY).days} "
        + "".join(met.refill.kind + ("!" if met.is_late else "") for met in day.met)
        for day in days
    )


WEEK = OpenDays()
TABLE = [
    ([], WEEK, "", "nothing to refill, nothing goes out"),
    ([refill("a", 0, 10)], WEEK, "10 a", "one refill: the last day of its window"),
    ([refill("a", 0, 12)], WEEK, "11 a", "a window that closes on a Saturday: the Friday before"),
    ([refill("a", 5, 6)], WEEK, "7 a!", "a window of a weekend: the Monday after, late"),
    ([refill("a", 5, 6), refill("b", 7, 20)], WEEK, "7 a!b", "and what may go out that Monday goes along"),
    (
        [refill("a", 0, 10), refill("b", 10, 20)],
        EVERY_DAY,
        "10 ab",
        "windows that share a day share a parcel",
    ),
    ([refill("a", 0, 10), refill("b", 11, 20)], EVERY_DAY, "10 a, 20 b", "and a day apart they do not"),
    (
        [refill("a", 0, 12), refill("b", 12, 20)],
        WEEK,
        "11 a, 18 b",
        "nor do they where the day they share is a Saturday",
    ),
    (
        [refill("a", 0, 10), refill("b", 4, 14), refill("c", 12, 22), refill("d", 20, 30)],
        EVERY_DAY,
        "10 ab, 22 cd",
        "a chain of windows: each parcel waits for the first end",
    ),
    (
        [refill("a", 0, 10), refill("b", 5, 40), refill("c", 30, 40)],
        EVERY_DAY,
        "10 ab, 40 c",
        "a refill that both parcels could take goes with the first",
    ),
    (
        [refill("a", 0, 10), refill("b", 2, 11)],
        OpenDays(frozenset({0})),
        "7 ab",
        "a location open on Mondays only",
    ),
    (
        [refill("a", 0, 4)],
        OpenDays(frozenset({2}), frozenset({on(2), on(9)})),
        "16 a!",
        "Wednesdays, and two of them closed: the third, late",
    ),
    (
        [refill("a", -40, -30, 0)],
        WEEK,
        "0 a!",
        "a window that has passed: the first open day from today, late",
    ),
    (
        [refill("a", -40, -30, 5), refill("b", -3, 7, 5), refill("c", 8, 18, 5)],
        WEEK,
        "7 a!b, 18 c",
        "and it takes along what is open by then",
    ),
    (
        [refill("a", 5, 6), refill("b", 0, 7), refill("c", 0, 4)],
        WEEK,
        "4 bc, 7 a!",
        "a late parcel keeps its day; nothing else waits for it",
    ),
]


@pytest.mark.parametrize(
    ("refills", "open_days", "expected", "sentence"), TABLE, ids=[row[-1] for row in TABLE]
)
def test_worked_examples(refills: list[Refill], open_days: OpenDays, expected: str, sentence: str) -> None:
    assert shown(fewest_deliveries(refills, open_days)) == expected, sentence


def test_some_weekday_is_open() -> None:
    with pytest.raises(ValueError, match="some weekday"):
        OpenDays(frozenset())


def test_a_year_of_four_lines_takes_fewer_parcels() -> None:
    """Cushions and headgear, tubing and filters of one start, by the published lives of 3 and 6 months."""
    quarterly = [refill(f"{kind}{n}", 91 * n - 10, 91 * n) for kind in "abc" for n in (1, 2, 3, 4)]
    half_yearly = [refill(f"{kind}{n}", 182 * n - 10, 182 * n) for kind in "de" for n in (1, 2)]
    days = fewest_deliveries([*quarterly, *half_yearly], WEEK)
    assert (len(days), refills_of(days)) == (4, 16)


spans = st.tuples(st.integers(0, 13), st.integers(0, 6))
small = st.lists(spans, min_size=1, max_size=5)
weeks = st.builds(
    OpenDays,
    st.frozensets(st.integers(0, 6), min_size=1),
    st.frozensets(st.integers(0, 21).map(on), max_size=8),
)
starts = st.sampled_from([-1000, 0, 3, 8])


def made(raw: list[tuple[int, int]], not_before: int) -> list[Refill]:
    return [refill(chr(97 + n), opens, opens + long, not_before) for n, (opens, long) in enumerate(raw)]


def literally_met(one: Refill, open_days: OpenDays) -> tuple[set[date], bool]:
    """The days that meet a refill, by trying each day; late where none lies in its window."""
    first = max(one.opens_on, one.not_before)
    inside = {
        day for n in range(-30, 80) if first <= (day := on(n)) <= one.closes_on and open_days.is_open(day)
    }
    if inside:
        return inside, False
    return {next(day for n in range(-30, 400) if (day := on(n)) >= first and open_days.is_open(day))}, True


@given(small, weeks, starts)
def test_no_set_of_days_is_smaller_and_none_as_small_is_later(
    raw: list[tuple[int, int]], open_days: OpenDays, not_before: int
) -> None:
    """Every set of open days is tried. The latest set is componentwise the latest, so there is one."""
    refills = made(raw, not_before)
    found = fewest_deliveries(refills, open_days)
    chosen = [day.on for day in found]
    meets = [literally_met(one, open_days) for one in refills]
    candidates = sorted(set().union(*(days for days, _ in meets)))
    for size in range(1, len(chosen)):
        assert not any(
            all(days & set(some) for days, _ in meets) for some in combinations(candidates, size)
        ), "fewer days would do"
    as_few = [
        some for some in combinations(candidates, len(chosen)) if all(days & set(some) for days, _ in meets)
    ]
    assert tuple(chosen) in as_few
    assert all(a <= b for some in as_few for a, b in zip(some, chosen, strict=True)), "a later set would do"
    late = {met.refill.kind for day in found for met in day.met if met.is_late}
    assert late == {one.kind for one, (_, is_late) in zip(refills, meets, strict=True) if is_late}


@given(small, weeks, starts)
def test_every_refill_is_met_once_on_the_first_day_that_can(
    raw: list[tuple[int, int]], open_days: OpenDays, not_before: int
) -> None:
    refills = made(raw, not_before)
    found = fewest_deliveries(refills, open_days)
    assert sorted(met.refill.kind for day in found for met in day.met) == [one.kind for one in refills]
    assert all(day.met for day in found), "no day for nothing"
    for day in found:
        for met in day.met:
            days, is_late = literally_met(met.refill, open_days)
            assert day.on == min(days & {other.on for other in found})
            assert met.is_late == is_late
    assert first_delivery(refills, open_days) == found[0]
    again = fewest_deliveries(refills[::-1], open_days)
    assert [(day.on, set(day.met)) for day in again] == [(day.on, set(day.met)) for day in found]


@pytest.mark.parametrize("seed", range(12))
def test_against_an_integer_program(seed: int) -> None:
    """A year and a half of up to 120 refills: as few days as the solver finds, and as late in the sum.

    No set of equally few is later on any day (small cases), so the latest set is the one with the greatest
    sum of days: that is a second integer program.
    """
    draw = np.random.default_rng(seed)
    open_days = OpenDays(
        frozenset(int(n) for n in draw.choice(7, size=draw.integers(1, 6), replace=False)),
        frozenset(on(int(n)) for n in draw.integers(0, 560, size=25)),
    )
    refills = [
        refill(str(n), int(opens), int(opens + draw.integers(0, 25)), 0)
        for n, opens in enumerate(draw.integers(-60, 520, size=draw.integers(20, 120)))
    ]
    found = fewest_deliveries(refills, open_days)
    days = [on(n) for n in range(620) if open_days.is_open(on(n))]
    covers = np.zeros((len(refills), len(days)))
    for row, one in enumerate(refills):
        span = reach(one, open_days)
        covers[row] = [span.first <= day <= span.last for day in days]
    least = LinearConstraint(covers, lb=1)
    binary, ones = {"integrality": np.ones(len(days)), "bounds": Bounds(0, 1)}, np.ones(len(days))
    fewest = milp(ones, constraints=least, **binary)
    assert fewest.status == 0
    assert len(found) == round(fewest.fun)
    offsets = np.array([(day - MONDAY).days for day in days], dtype=float)
    as_few = LinearConstraint(ones[np.newaxis], lb=len(found), ub=len(found))
    latest = milp(-offsets, constraints=[least, as_few], **binary)
    assert latest.status == 0
    assert [day.on for day in found] == [day for day, x in zip(days, latest.x, strict=True) if x > 0.5]


@given(small, weeks, st.sampled_from([0, 7, 11]))
def test_the_next_delivery_follows_from_its_steps_alone(
    raw: list[tuple[int, int]], open_days: OpenDays, wait: int
) -> None:
    refills = made(raw, wait)
    explained = explain_delivery(refills, open_days, answer_days=7, as_of=MONDAY)
    [first, *_] = fewest_deliveries(refills, open_days)
    steps = [asdict(step) for step in explained.steps]
    assert recompute(steps, explained.values) == {"delivery": first.on.isoformat()}
