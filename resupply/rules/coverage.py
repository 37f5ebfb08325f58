"""Coverage: what the payer allows.

An allowance is `N` units of a code per period `P`. Each unit billed to the payer uses coverage from its
*covered start*: the earliest day, not before its delivery, on which fewer than `N` covered starts `t` of that
code satisfy `t <= day < t + P`. Units queue in delivery order. Coverage opens again (`covered_from`) on the
earliest day, not before the last covered start, on which fewer than `N` count.

Because units queue, covered starts never decrease, so the ones that count on a day are always the last ones:
unit `i` starts on the later of its delivery and `P` after the start of unit `i - N`.

Edge cases: nothing billed, no allowance, or a patient who pays: no date. Source: the worked example of a
payer's policy and US MAC usual maximums (see usual_maximums.toml); the arithmetic is checked against a brute
force.
"""

from collections.abc import Iterable, Sequence
from datetime import date

from resupply.rules.facts import Allowance
from resupply.rules.periods import add


def covered_starts(billed_on: Iterable[date], allowance: Allowance) -> list[date]:
    """Covered starts of units delivered on the given days (one per unit, in delivery order).

    >>> from resupply.rules.periods import Period, Unit
    >>> two_a_month = Allowance(date(2020, 1, 1), 2, Period(1, Unit.MONTH), 3)
    >>> billed = [date(2026, 1, 1), date(2026, 1, 20), date(2026, 1, 20)]
    >>> [str(day) for day in covered_starts(billed, two_a_month)]
    ['2026-01-01', '2026-01-20', '2026-02-01']
    """
    starts: list[date] = []
    for day in billed_on:
        starts.append(next_start(starts, day, allowance))
    return starts


def next_start(starts: Sequence[date], day: date, allowance: Allowance) -> date:
    """The covered start of one more unit delivered on a day; `starts` may be just the last `N`."""
    if len(starts) < allowance.units:
        return day
    return max(day, add(starts[-allowance.units], allowance.period))


def covered_from(starts: Sequence[date], allowance: Allowance) -> date | None:
    """The day coverage opens for another unit; None where nothing was billed.

    `starts` may be just the last `N`.
    """
    return next_start(starts, starts[-1], allowance) if starts else None
