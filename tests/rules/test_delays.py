"""Delays with censoring, against a published worked example and a reference library.

Published: remission times of children with leukaemia on 6-mercaptopurine and on placebo, Freireich and
others, Blood 21 (1963), as textbooks of survival analysis print them (values and estimates from memory).
Reference library: `scipy.stats.ecdf` with `CensoredData`.
"""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from resupply.rules.delays import Delay, kaplan_meier

DRUG_KNOWN = [6, 6, 6, 7, 10, 13, 16, 22, 23]
DRUG_CENSORED = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def known(days: list[int]) -> list[Delay]:
    return [Delay(one, True) for one in days]


def still_open(days: list[int]) -> list[Delay]:
    return [Delay(one, False) for one in days]


@pytest.mark.parametrize(
    ("weeks", "at_risk", "events", "share"),
    [
        (6, 21, 3, 0.8571),
        (7, 17, 1, 0.8067),
        (10, 15, 1, 0.7529),
        (13, 12, 1, 0.6902),
        (16, 11, 1, 0.6275),
        (22, 7, 1, 0.5378),
        (23, 6, 1, 0.4482),
    ],
)
def test_the_published_example_with_censoring(weeks: int, at_risk: int, events: int, share: float) -> None:
    curve = kaplan_meier([*still_open(DRUG_CENSORED), *known(DRUG_KNOWN)])
    step = next(step for step in curve.steps if step.days == weeks)
    assert (step.waiting, step.dispensed) == (at_risk, events)
    assert float(step.share) == pytest.approx(share, abs=5e-5)
    assert (curve.observed, curve.open, curve.median()) == (21, 12, 23)
    assert len(curve.steps) == 7


def test_the_published_example_without_censoring() -> None:
    """Placebo: the curve is the plain share, its median 8 weeks, and nobody is left."""
    curve = kaplan_meier(known(PLACEBO))
    for step in curve.steps:
        assert step.share == Fraction(sum(one > step.days for one in PLACEBO), 21)
    assert (curve.median(), curve.tail) == (8, 0)


def test_nothing_known_is_all_tail() -> None:
    for curve in (kaplan_meier([]), kaplan_meier(still_open([3, 9]))):
        assert (curve.steps, curve.tail, curve.median(), curve.chances()) == ((), 1, None, [])
    assert kaplan_meier(still_open([3])).chances_beyond(40) == []


def test_a_refill_that_waited_longer_than_any_tells_nothing() -> None:
    curve = kaplan_meier(known([1, 5]))
    assert curve.chances_beyond(5) == []
    assert curve.chances_beyond(1) == [(5, 1.0)]
    assert curve.chances_beyond(0) == curve.chances() == [(1, 0.5), (5, 0.5)]


delays = st.lists(st.builds(Delay, st.integers(-10, 40), st.booleans()), min_size=1, max_size=40)


@given(delays)
def test_as_the_reference_library(found: list[Delay]) -> None:
    """Ties, nothing censored, everything censored among them. The library wants one known time at least."""
    curve = kaplan_meier(found)
    at = [one.days for one in found if one.is_known]
    if not at:
        assert curve.tail == 1
        return
    data = stats.CensoredData(uncensored=at, right=[one.days for one in found if not one.is_known])
    reference = stats.ecdf(data).sf
    ours = [float(curve.waiting_after(int(days))) for days in reference.quantiles]
    np.testing.assert_allclose(ours, reference.probabilities, atol=1e-12)


@given(delays, st.integers(-12, 45))
def test_chances_add_up(found: list[Delay], waited: int) -> None:
    curve = kaplan_meier(found)
    assert sum(chance for _, chance in curve.chances()) == pytest.approx(float(1 - curve.tail))
    beyond = curve.chances_beyond(waited)
    assert all(days > waited and chance > 0 for days, chance in beyond)
    left = curve.waiting_after(waited)
    if left:
        assert sum(chance for _, chance in beyond) == pytest.approx(float(1 - curve.tail / left))
    shares = [step.share for step in curve.steps]
    assert shares == sorted(shares, reverse=True)
