"""Delays: how long after its refill date a part is dispensed, estimated with those still waiting counted.

The rule in plain words. A refill that was dispensed tells its delay in days (`refill_on` to the dispense;
less than 0 where it came early). One that is still open tells only that its delay is longer than the days it
has waited so far: it is *censored*. To leave the open ones out would make the clinic look faster than it is.
So the share still waiting after `t` days is the product, over the days up to `t` on which something was
dispensed, of `1 - dispensed / waiting` (Kaplan and Meier, Journal of the American Statistical Association 53
(1958), 457-481). On a day with both, the dispensed come first: who is censored on a day was waiting on it.

What is left after the longest delay seen is the *tail*: refills of which nobody knows when, or whether.

Edge cases: nothing observed, or all censored: everything is tail. All dispensed: the tail is 0 and the curve
is the plain share. Source: as above; the worked example of the tests is Freireich and others (1963).

>>> curve = kaplan_meier([Delay(6, True), Delay(6, True), Delay(6, False), Delay(7, True)])
>>> [(step.days, step.waiting, step.dispensed, step.share) for step in curve.steps]
[(6, 4, 2, Fraction(1, 2)), (7, 1, 1, Fraction(0, 1))]
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple


class Delay(NamedTuple):
    """Days from refill date to dispense, or so far; `is_known`: it was dispensed."""

    days: int
    is_known: bool


class Step(NamedTuple):
    """After `days`, on which `dispensed` of `waiting` refills were, this share still waits."""

    days: int
    waiting: int
    dispensed: int
    share: Fraction


@dataclass(frozen=True, slots=True)
class Curve:
    """The share of refills still waiting, by days after the refill date; `observed` refills, `open` of them
    not dispensed.
    """

    steps: tuple[Step, ...]
    observed: int
    open: int

    @property
    def dispensed(self) -> int:
        """How many of them were dispensed."""
        return self.observed - self.open

    @property
    def tail(self) -> Fraction:
        """The share of which nobody knows when."""
        return self.steps[-1].share if self.steps else Fraction(1)

    def waiting_after(self, days: int) -> Fraction:
        """The share that still waits after so many days."""
        share = Fraction(1)
        for step in self.steps:
            if step.days > days:
                break
            share = step.share
        return share

    def median(self) -> int | None:
        """The first day after which at most half still wait; None: more than half of them do to the end."""
        return next((step.days for step in self.steps if step.share <= Fraction(1, 2)), None)

    def chances(self) -> list[tuple[int, float]]:
        """The days a dispense may take with the chance of each; they sum to 1 less the tail."""
        before, found = Fraction(1), []
        for step in self.steps:
            found.append((step.days, float(before - step.share)))
            before = step.share
        return found

    def chances_beyond(self, waited: int) -> list[tuple[int, float]]:
        """The same for a refill that has waited so many days and was not dispensed on the last of them.

        Empty where nobody was ever dispensed so late: nothing is known of such a refill.
        """
        left = self.waiting_after(waited)
        if not left:
            return []
        share = float(left)
        return [(days, chance / share) for days, chance in self.chances() if days > waited]


def kaplan_meier(delays: Iterable[Delay]) -> Curve:
    """The curve of some delays, exact."""
    dispensed: Counter[int] = Counter()
    censored: Counter[int] = Counter()
    for days, is_known in delays:
        (dispensed if is_known else censored)[days] += 1
    observed, still = dispensed.total() + censored.total(), censored.total()
    waiting, share, steps = observed, Fraction(1), []
    for days in sorted(dispensed.keys() | censored.keys()):
        if dispensed[days]:
            share *= 1 - Fraction(dispensed[days], waiting)
            steps.append(Step(days, waiting, dispensed[days], share))
        waiting -= dispensed[days] + censored[days]
    return Curve(tuple(steps), observed, still)
