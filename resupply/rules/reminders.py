"""Reminders: which step a refill has reached, and when a message may be sent.

The rule in plain words. A refill of a line has four steps: *ask* (`ask_from` has come), *due* (`refill_on`
has come) and two *overdue* steps (7 and 28 days after `refill_on`). Only the highest step reached is
written about, each step once: after an outage, or when an old list is read in, a patient gets one message
and not the whole ladder. Nothing is sent before `ask_from`, and nothing on a day without therapy.
`refill_on` is the end of supply, or the day the payer's coverage opens if that is later: nobody is pressed
for parts that the payer does not cover yet.

A refill is known by the day its supply ends. That day moves a little when a patient reports a change of
parts; less than `SAME_REFILL_DAYS` away it is still the same refill, and what was written about it is not
written again.

Messages go out between 09:00 and 20:00 by the clock of the patient's zone (the clinic's hours, `Hours`), on
no account before 08:00 or from 21:00 on. A patient whose zone is not known is written to only while those
hours hold in all zones of the US states and Puerto Rico at once. These lie six hours apart: where the
clinic's hours leave less than one that all share, the shipped hours stand in for that patient, so that nobody
is written to at night and no message waits for ever.

Edge cases: the hours are those of the patient's wall clock, so they stay put when clocks change; a local
date that a zone skipped has no sending hours.

Sources: 47 CFR 64.1200(c)(1) bars telephone solicitation before 8 a.m. and after 9 p.m. at the called
party's location. Reminders of care by mail may not fall under it; it is adopted as a caution, and 21:00
itself is held. The ladder of 7 and 28 days is common practice, not evidence.

>>> step_reached(Refill(date(2026, 3, 1), date(2026, 3, 31), None, None), day=date(2026, 3, 10)).name
'ask'
>>> window = next_window(datetime(2026, 1, 5, 3, 0, tzinfo=UTC), "America/Denver")
>>> window.day, window.opens_at.hour  # eight in the evening in Denver: held until nine
(datetime.date(2026, 1, 5), 16)
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from resupply.rules.purposes import Purpose as Purpose
from resupply.rules.purposes import of_step as of_step


@dataclass(frozen=True, slots=True)
class ReminderStep:
    """A step; `rank` rises, `days_after` counts from `refill_on` (None: reached with `ask_from`)."""

    name: str
    rank: int
    days_after: int | None


LADDER = (
    ReminderStep("ask", 1, None),
    ReminderStep("due", 2, 0),
    ReminderStep("overdue_1", 3, 7),
    ReminderStep("overdue_2", 4, 28),
)
ASK_AGAIN = ReminderStep("ask_again", 1, None)
"""A question that is asked once more (`questions`): no step of the ladder, and of the rank of *ask*."""
STEPS = {step.name: step for step in (*LADDER, ASK_AGAIN)}

SAME_REFILL_DAYS = 14
"""Two ends of supply fewer days apart than this are one refill whose date moved."""


@dataclass(frozen=True, slots=True)
class Refill:
    """The dates of a line's next refill, and its pause `[paused_from, paused_until)` (no end: open)."""

    ask_from: date
    refill_on: date
    paused_from: date | None
    paused_until: date | None


def is_paused(refill: Refill, *, day: date) -> bool:
    """Whether the day lies in the pause."""
    if refill.paused_from is None or day < refill.paused_from:
        return False
    return refill.paused_until is None or day < refill.paused_until


def step_reached(refill: Refill, *, day: date) -> ReminderStep | None:
    """The highest step reached on a day; None before `ask_from` and during a pause."""
    if day < refill.ask_from or is_paused(refill, day=day):
        return None
    reached = LADDER[0]
    for step in LADDER[1:]:
        if step.days_after is not None and day >= refill.refill_on + timedelta(days=step.days_after):
            reached = step
    return reached


# --- when -----------------------------------------------------------------------------------------------

EARLIEST = time(8)
LATEST = time(21)


@dataclass(frozen=True, slots=True)
class Hours:
    """Local hours `[opens, closes)` in which messages may go out, within `[08:00, 21:00]`."""

    opens: time = time(9)
    closes: time = time(20)

    def __post_init__(self) -> None:
        if not EARLIEST <= self.opens < self.closes <= LATEST:
            raise ValueError("sending hours lie between 08:00 and 21:00")


DEFAULT_HOURS = Hours()
WIDEST_HOURS = Hours(EARLIEST, LATEST)
LEAST_SHARED = timedelta(hours=1)
"""What the zones must share of a day's hours: in less, a sweep that was held up would miss the day. Ours."""

US_ZONES = (
    "America/Puerto_Rico",
    "America/New_York",
    "America/Chicago",
    "America/Denver",
    "America/Phoenix",
    "America/Los_Angeles",
    "America/Anchorage",
    "Pacific/Honolulu",
)
"""One zone for each clock of the US states and Puerto Rico."""


@dataclass(frozen=True, slots=True)
class Window:
    """Messages of the patient's `day` may go out in `[opens_at, closes_at)`, aware UTC moments."""

    day: date
    opens_at: datetime
    closes_at: datetime


@lru_cache(maxsize=1024)
def zones_of(name: str) -> tuple[ZoneInfo, ...]:
    """The zone of that name, or all US zones where there is none."""
    try:
        return (ZoneInfo(name),)
    except (ValueError, OSError, LookupError):  # unknown, empty, a path, a folder of the zone database
        return tuple(ZoneInfo(zone) for zone in US_ZONES)


HoursOn = Callable[[date], Hours]
"""The clinic's hours as they stand on a patient's day."""


def usual_hours(day: date) -> Hours:
    """The shipped hours, the same on all days."""
    return DEFAULT_HOURS


def next_window(
    now: datetime, zone: str, hours: Hours | None = None, *, hours_on: HoursOn = usual_hours
) -> Window:
    """The sending window open at `now` (aware), or else the next one to open, for a patient of `zone`.

    `hours` are the same on all days; without them each day has those of `hours_on`.
    """
    zones = zones_of(zone)
    first = min(now.astimezone(place).date() for place in zones)
    for ahead in range(4):  # today is over, tomorrow skipped by its zone: the third day opens at the latest
        day = first + timedelta(days=ahead)
        window = _window_on(day, zones, hours or hours_on(day))
        if window and now < window.closes_at:
            return window
    raise AssertionError("sending hours come round every day")


def may_send(
    now: datetime, zone: str, hours: Hours | None = None, *, hours_on: HoursOn = usual_hours
) -> bool:
    """Whether a message may go out at `now`."""
    return next_window(now, zone, hours, hours_on=hours_on).opens_at <= now


def are_shared(hours: Hours, *, day: date) -> bool:
    """Whether hours of that day hold in all US zones at once, for long enough to write by them.

    >>> day = date(2026, 1, 5)
    >>> are_shared(DEFAULT_HOURS, day=day), are_shared(Hours(time(9), time(15)), day=day)
    (True, False)
    """
    window = _shared_on(day, zones_of(""), hours)
    return window is not None and window.closes_at - window.opens_at >= LEAST_SHARED


def _window_on(day: date, zones: Sequence[ZoneInfo], hours: Hours) -> Window | None:
    """The hours of a local day in which a message may go out, if it has any."""
    if len(zones) > 1 and not are_shared(hours, day=day):
        hours = DEFAULT_HOURS
    return _shared_on(day, zones, hours)


def _shared_on(day: date, zones: Sequence[ZoneInfo], hours: Hours) -> Window | None:
    """The hours of a local day that hold in all zones at once, if there are any."""
    # Where an hour happens twice, the later opening and the earlier closing are the cautious ones.
    opens = max(datetime.combine(day, hours.opens, zone).replace(fold=1).astimezone(UTC) for zone in zones)
    closes = min(datetime.combine(day, hours.closes, zone).astimezone(UTC) for zone in zones)
    skipped = any(opens.astimezone(zone).date() != day for zone in zones)
    return None if skipped or opens >= closes else Window(day, opens, closes)
