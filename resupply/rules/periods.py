"""Periods: `n` days, weeks or months.

`start + k periods` is counted from `start`, never by chaining clamped results: a month step keeps the day of
the month, clamped to the month's last day.

>>> from datetime import date
>>> add(date(2026, 1, 31), Period(1, Unit.MONTH))
datetime.date(2026, 2, 28)
>>> add(date(2026, 1, 31), Period(1, Unit.MONTH), times=2)
datetime.date(2026, 3, 31)
>>> add(date(2024, 2, 29), Period(12, Unit.MONTH))
datetime.date(2025, 2, 28)

Source: ours (the trade publishes no formula); the clamp is checked against python-dateutil in the tests.
"""

from calendar import isleap
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum


class Unit(StrEnum):
    """The unit a period counts."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Period:
    """`count` days, weeks or months; `count` is at least 1."""

    count: int
    unit: Unit

    def __post_init__(self) -> None:
        if self.count < 1:
            raise ValueError("a period counts at least 1 day, week or month")


_MONTH = Unit.MONTH  # a member looked up on its class costs as much as the rest of `add`
_DAYS = {Unit.DAY: 1, Unit.WEEK: 7}
_LAST_DAY = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def add(start: date, period: Period, times: int = 1) -> date:
    """The day `times` (>= 0) periods after `start`, saturating at the last day a date can hold."""
    if period.unit is not _MONTH:
        return add_days(start, period.count * times * _DAYS[period.unit])
    months = start.month - 1 + period.count * times
    year, month = start.year + months // 12, months % 12
    if year > date.max.year:
        return date.max
    day = start.day
    if day > 28:
        day = min(day, 29 if month == 1 and isleap(year) else _LAST_DAY[month])
    return date(year, month + 1, day)


def add_days(start: date, days: int) -> date:
    """The day `days` calendar days after `start` (before it, where negative), saturating at the ends of the
    calendar.
    """
    try:
        return start + timedelta(days=days)
    except OverflowError:
        return date.max if days > 0 else date.min
