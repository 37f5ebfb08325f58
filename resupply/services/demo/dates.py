"""Arithmetic of the invented histories: when a supply has to start so that it ends on a wanted day."""

from collections.abc import Iterator
from datetime import date, timedelta
from random import Random

from resupply.rules.periods import Period, Unit, add

QUARTER = Period(3, Unit.MONTH)
MOST_DAYS = {Unit.DAY: 1, Unit.WEEK: 7, Unit.MONTH: 31}


def supply_end(start: date, life: Period, quantity: int) -> date:
    """The worn date of the last of `quantity` units used one after the other from `start` on.

    >>> supply_end(date(2026, 1, 31), Period(1, Unit.MONTH), 3)
    datetime.date(2026, 4, 28)
    """
    for _ in range(quantity):
        start = add(start, life)
    return start


def start_for(end: date, life: Period, quantity: int) -> date:
    """The day from which `quantity` units are used up on `end`, or as late before it as months allow.

    Of several such days it is the first: its day of the month stays the same.

    >>> start_for(date(2026, 3, 31), Period(1, Unit.MONTH), 1)
    datetime.date(2026, 2, 28)
    >>> start_for(date(2026, 4, 28), Period(1, Unit.MONTH), 3)  # from 29 to 31 January it ends then, too
    datetime.date(2026, 1, 28)
    """
    start = end - timedelta(days=MOST_DAYS[life.unit] * life.count * quantity)
    best = start
    while (ends_on := supply_end(start, life, quantity)) <= end:
        if ends_on > supply_end(best, life, quantity):
            best = start
        start += timedelta(days=1)
    return best


def starts(end: date, life: Period, quantity: int, *, since: date) -> list[date]:
    """First days of the refills that keep a line in supply from `since` to `end`, oldest first.

    The first refill starts on `since`; where the lives do not fit, it is used some days too long.
    """
    found = list(_back(end, life, quantity, since))[::-1]
    if len(found) > 1:
        found[0] = since
    return found


def _back(end: date, life: Period, quantity: int, since: date) -> Iterator[date]:
    start = start_for(end, life, quantity)
    while start >= since:
        yield start
        start = start_for(start, life, quantity)


def is_weekday(day: date) -> bool:
    """Monday to Friday."""
    return day.weekday() < 5


def weekday_by(day: date) -> date:
    """The day, or the Friday before a weekend."""
    return day - timedelta(days=max(0, day.weekday() - 4))


def open_day_before(day: date, *, most: int, dice: Random) -> date:
    """A weekday at most `most` days before a day; the day itself where there is none."""
    days = [day - timedelta(days=back) for back in range(most + 1)]
    return dice.choice([found for found in days if is_weekday(found)] or [day])
