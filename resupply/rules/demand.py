"""Demand: units needed per week, on time and at the clinic's own pace, and what to order for it.

The rule in plain words. *On time*: each refill of a line's chain (`chains.py`) counts in the week of the last
open day that meets it. *At the clinic's own pace*: it is dispensed some days after its refill date, as many
as refills of its kind and location took so far (`delays.py`); one that waits already takes no fewer days than
it has waited. What comes late moves the refill after it by as much; what comes early moves nothing. A refill
that nobody can place (the tail, or one that has waited longer than any before it) counts as *later*, and what
would follow it too: so the weeks and `later` add up to every unit of every chain.

The *range* of a week runs from the tenth to the ninetieth in a hundred of the number that may come, each
refill taken by itself: exact by convolution for few refills, by the normal curve for many. Parts that a
patient gets in one delivery come together, so weeks vary somewhat more than the range says.

*What to order*: units on hand that may be dispensed, less those owed on back orders, have to last. The week
in which they would fall below the reorder point, if as much is needed as in nine of ten cases, less the weeks
an order takes, is when to order; as many as fill the shelf to its target, or as are needed until the order
after it could be there, whichever is more.

Edge cases: no target: below the point means below nothing left. Already below: order now. Source: ours.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil
from statistics import NormalDist

WEEKS = 26
"""Half a year."""
LOW, HIGH = 0.1, 0.9
ORDER_WEEKS = 2
"""Weeks from an order to the shelf (ours)."""
BETWEEN_ORDERS = 4
"""Weeks that an order is to last at least (ours)."""
FEW = 60
"""Refills up to which a range is worked out exactly."""

Chances = Sequence[tuple[int, float]]
"""Days with the chance of each."""


def paces(
    first: int, gaps: Sequence[int], *, first_chances: Chances, chances: Chances, until: int
) -> list[list[float]]:
    """The chance of each refill of a chain on each day in `[0, until)`.

    `first`: the day of the first refill date; `gaps[k]`: days from refill `k`, where it comes on time, to the
    refill after it. `first_chances`: the delays the first may still have, `chances` those of the others.
    """
    found = []
    dates = {first: 1.0}
    for number in range(len(gaps) + 1):
        given: dict[int, float] = {}
        after: dict[int, float] = {}
        gap = gaps[number] if number < len(gaps) else 0
        for day, weight in dates.items():
            for delay, chance in chances if number else first_chances:
                on, likely = max(day + delay, 0), weight * chance
                if on < until:
                    given[on] = given.get(on, 0.0) + likely
                    following = max(on, day) + gap
                    after[following] = after.get(following, 0.0) + likely
        found.append([given.get(day, 0.0) for day in range(until)])
        dates = after
    return found


@dataclass(slots=True)
class Tally:
    """Units of one item at one location, week by week."""

    refills: int = 0
    on_time: list[int] = field(default_factory=lambda: [0] * WEEKS)
    later_on_time: int = 0
    expected: list[float] = field(default_factory=lambda: [0.0] * WEEKS)
    variance: list[float] = field(default_factory=lambda: [0.0] * WEEKS)
    later: float = 0.0
    terms: list[list[tuple[int, float]]] = field(default_factory=lambda: [[] for _ in range(WEEKS)])

    def add(self, quantity: int, *, on_time_week: int, chances: Sequence[float]) -> None:
        """Count one refill: its week on time, and its chance in each week."""
        self.refills += 1
        if on_time_week < WEEKS:
            self.on_time[on_time_week] += quantity
        else:
            self.later_on_time += quantity
        for week, chance in enumerate(chances):
            if chance > 0.0:
                self.expected[week] += quantity * chance
                self.variance[week] += quantity * quantity * chance * (1.0 - chance)
                if len(self.terms[week]) <= FEW:  # one more tells that there are many
                    self.terms[week].append((quantity, chance))
        self.later += quantity * max(1.0 - sum(chances), 0.0)

    def ranges(self) -> list[tuple[int, int]]:
        """The range of each week."""
        return [
            exact_range(terms) if len(terms) <= FEW else normal_range(expected, variance)
            for terms, expected, variance in zip(self.terms, self.expected, self.variance, strict=True)
        ]


def by_week(days: Sequence[float], *, weekday: int) -> list[float]:
    """Chances of days from today on, summed by week; week 0 is today's, which began `weekday` days ago."""
    weeks = [0.0] * WEEKS
    for day, chance in enumerate(days):
        week = (day + weekday) // 7
        if chance and week < WEEKS:
            weeks[week] += chance
    return weeks


def exact_range(terms: Iterable[tuple[int, float]]) -> tuple[int, int]:
    """Between which numbers of units the sum lies; each term is so many units with a chance.

    >>> exact_range([(1, 0.5)] * 10)
    (3, 7)
    """
    spread = [1.0]
    for units, chance in terms:
        more = [share * (1.0 - chance) for share in spread] + [0.0] * units
        for number, share in enumerate(spread):
            more[number + units] += share * chance
        spread = more
    return _reached(spread, LOW), _reached(spread, HIGH)


def normal_range(expected: float, variance: float) -> tuple[int, int]:
    """The same by the normal curve, for many refills."""
    if variance <= 0.0:
        return round(expected), round(expected)
    curve = NormalDist(expected, variance**0.5)
    return max(0, round(curve.inv_cdf(LOW))), max(0, round(curve.inv_cdf(HIGH)))


def _reached(spread: Sequence[float], share: float) -> int:
    """The smallest number with at least that share at or below it."""
    total = 0.0
    for number, chance in enumerate(spread):
        total += chance
        if total >= share - 1e-12:
            return number
    return len(spread) - 1


@dataclass(frozen=True, slots=True)
class Shelf:
    """What there is of an item at a location: may be dispensed, owed on back orders, and its target (0, 0:
    none).
    """

    usable: int
    owed: int
    low_at: int = 0
    order_up_to: int = 0


@dataclass(frozen=True, slots=True)
class Order:
    """What to order: `quantity` units within `weeks` weeks (0: now). Why: `available` units last until
    `short_week`, in which `low_at` would be undercut; `needed`: until the order after it could be there.
    """

    quantity: int
    weeks: int
    available: int
    short_week: int
    needed: int

    @property
    def is_now(self) -> bool:
        """Whether it can wait no longer."""
        return self.weeks == 0


def order(shelf: Shelf, expected: Sequence[float], variance: Sequence[float]) -> Order | None:
    """What to order of an item; None: what there is lasts all weeks."""
    available = shelf.usable - shelf.owed
    needs = upper_sums(expected, variance)
    short = -1 if available < shelf.low_at else next(
        (week for week, need in enumerate(needs) if available - need < shelf.low_at), None
    )  # fmt: skip
    if short is None:
        return None
    weeks = max(0, short - ORDER_WEEKS)
    last = min(weeks + ORDER_WEEKS + BETWEEN_ORDERS, len(needs)) - 1
    needed = needs[last]
    fill = shelf.order_up_to - available if weeks == 0 else shelf.order_up_to - shelf.low_at
    quantity = max(fill, needed + shelf.low_at - available, 1)
    return Order(quantity, weeks, available, max(short, 0), needed)


def upper_sums(expected: Sequence[float], variance: Sequence[float]) -> list[int]:
    """Units that suffice up to the end of each week in nine of ten cases."""
    sums: list[int] = []
    mean = spread = 0.0
    for more, wide in zip(expected, variance, strict=True):
        mean, spread = mean + more, spread + wide
        upper = NormalDist(mean, spread**0.5).inv_cdf(HIGH) if spread > 0.0 else mean
        sums.append(max(ceil(upper - 1e-9), sums[-1] if sums else 0))
    return sums
