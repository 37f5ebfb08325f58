"""Fewest deliveries: on which open days parts go out, so that few parcels meet every refill.

The rule in plain words. Every refill has a closed window: from the day it may be dispensed to the day its
supply ends (`[deliver_from, supply_ends_on]`; where that is empty because coverage opens later,
`[deliver_from, refill_on]`). Parts go out on open days of the location only. Of all sets of open days that
meet every window the fewest days are chosen, and of equally few, each as late as it can be. A window
without an open day is met on the first open day after it, and marked late; that day then serves others too.

How. Cut each window to its open days, `[first, last]`. Go through the windows by `last`; one that no day
chosen so far meets gets its own `last`. (Stabbing intervals with points; the choice by earliest end is
textbook.)

Why that is fewest, and "each as late as it can be" means one thing. Let p1 < p2 < ... be the days chosen,
and q1 < q2 < ... the days of any other set that meets every window. The window for which p1 was chosen has
to be met by p1, so q1 <= p1. The window for which p(i) was chosen opens after p(i-1), so no q up to q(i-1)
meets it; hence q(i) <= p(i). So no set has fewer days, and every set of equally few is, day by day, no
later than this one: there is one latest set, and this is it. The tests try all sets on small cases, and an
integer program on larger ones.

Edge cases: days before `not_before` (today, or the day an answer can be there) serve nothing, so a window
that has passed is late on the first open day from then. A refill goes with the first chosen day inside its
window: nothing that may go out already waits for a later parcel. Source: ours.

>>> mask = Refill("mask", date(2026, 3, 2), date(2026, 3, 12), date(2026, 3, 12), 1)
>>> cushion = Refill("cushion", date(2026, 3, 8), date(2026, 3, 18), date(2026, 3, 18), 3)
>>> [day] = fewest_deliveries([cushion, mask], OpenDays(frozenset({0, 2})))  # Mondays and Wednesdays
>>> str(day.on), [met.refill.kind for met in day.met]
('2026-03-11', ['cushion', 'mask'])
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from resupply.rules.periods import add_days

WEEKDAYS = frozenset(range(5))
"""Monday to Friday: the open days of a location that has not chosen its own."""


@dataclass(frozen=True, slots=True)
class OpenDays:
    """The days on which a location gives or ships parts: some weekdays (0 is Monday), but for closed days."""

    weekdays: frozenset[int] = WEEKDAYS
    closed: frozenset[date] = frozenset()

    def __post_init__(self) -> None:
        if not self.weekdays & frozenset(range(7)):
            raise ValueError("some weekday is open")

    def is_open(self, day: date) -> bool:
        """Whether parts go out on a day."""
        return day.weekday() in self.weekdays and day not in self.closed

    def first_from(self, day: date) -> date:
        """The first open day, not before `day`; the last day of the calendar where none is left."""
        while day < date.max and not self.is_open(day):
            day = add_days(day, 1)
        return day

    def last_until(self, day: date) -> date:
        """The last open day, not after `day`."""
        while day > date.min and not self.is_open(day):
            day = add_days(day, -1)
        return day


EVERY_DAY = OpenDays(frozenset(range(7)))


@dataclass(frozen=True, slots=True)
class Refill:
    """One refill of a line: its window, both days in it, and how many units.

    `number` counts the refills of the line's chain from 0; `not_before`: the first day parts could be there.
    """

    kind: str
    opens_on: date
    closes_on: date
    refill_on: date
    quantity: int
    number: int = 0
    not_before: date = date.min


def closing(deliver_from: date, supply_ends_on: date, refill_on: date) -> date:
    """The last day of a refill's window `[deliver_from, closing]`."""
    return refill_on if deliver_from > supply_ends_on else supply_ends_on


class Reach(NamedTuple):
    """The first and the last open day that meet a refill; late: both lie after its window."""

    first: date
    last: date
    is_late: bool


def reach(refill: Refill, open_days: OpenDays) -> Reach:
    """The open days that meet a refill: those of its window, or else the first one after it."""
    first = open_days.first_from(max(refill.opens_on, refill.not_before))
    if first > refill.closes_on:
        return Reach(first, first, True)
    return Reach(first, open_days.last_until(refill.closes_on), False)


class Met(NamedTuple):
    """A refill that a delivery meets."""

    refill: Refill
    is_late: bool


@dataclass(frozen=True, slots=True)
class DeliveryDay:
    """A day on which parts go out, and the refills it meets, in the order given."""

    on: date
    met: tuple[Met, ...] = field(default=())

    @property
    def is_late(self) -> bool:
        """Whether it comes after the window of one of its refills."""
        return any(met.is_late for met in self.met)


def fewest_deliveries(refills: Iterable[Refill], open_days: OpenDays) -> tuple[DeliveryDay, ...]:
    """The fewest delivery days that meet every refill, each as late as it can be, in order.

    The cost grows with the refills: n log n, and the closed days next to a window.
    """
    reached = [(refill, reach(refill, open_days)) for refill in refills]
    days: list[date] = []
    for _, span in sorted(reached, key=lambda pair: pair[1].last):
        if not days or days[-1] < span.first:
            days.append(span.last)
    met: dict[date, list[Met]] = {day: [] for day in days}
    for refill, span in reached:
        met[_first_within(days, span)].append(Met(refill, span.is_late))
    return tuple(DeliveryDay(day, tuple(met[day])) for day in days)


def first_delivery(refills: Iterable[Refill], open_days: OpenDays) -> DeliveryDay | None:
    """The first of the fewest deliveries; None: there is nothing to refill.

    It follows from the next refill of each line: it is the earliest end of a window, and the later refills
    of a line end later.
    """
    return next(iter(fewest_deliveries(refills, open_days)), None)


def refills_of(days: Sequence[DeliveryDay]) -> int:
    """How many refills deliveries meet: so many they would be, one for each."""
    return sum(len(day.met) for day in days)


def _first_within(days: Sequence[date], span: Reach) -> date:
    """The first of the days that meet a refill; the days are in order, and one of them does."""
    return days[bisect_left(days, span.first)]
