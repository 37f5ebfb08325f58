"""What a patient's calendar holds: a function of plan and subscription alone, never of the day it is read.

- `change`: days on which a spare starts, and the day on which the last unit is worn and a new part is needed.
- `refill`: days from which new parts may be asked about.
- cleaning checklists, each a series with a rule.

Days of one purpose that fall together are one entry. During a pause there are no changes and no questions,
and an open pause moves every later day, so it leaves none.

Keys name what an entry is about, not its day, so that an entry that moves stays itself: `change:cushion:7` is
the end of the line's 7th unit, whether a spare follows or not; `refill:cushion:9` the question before the end
of the 9th; `clean:weekly:2` the 2nd weekly series. An entry about several parts has the key of the first.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from resupply.delivery import calendar_words as words
from resupply.rules.cleaning import Checklist, Frequency, dates, first_use_washes
from resupply.rules.kinds import PLACE, Kind
from resupply.rules.lines import LinePlan


@dataclass(frozen=True, slots=True)
class Look:
    """What a subscription shows and how: `alarm_hour` 0 to 23 on the entry's day, None for no alarm.

    Where there are alarms, those of cleaning come at `cleaning_hour`, if the patient has one.
    """

    with_changes: bool = True
    with_refills: bool = True
    cleaning: frozenset[Frequency] = frozenset(Frequency)
    detailed: bool = False
    alarm_hour: int | None = None
    cleaning_hour: int | None = None
    language: str = "en"
    weekday: int = 6
    month_day: int = 1
    since: date = date.min
    """Cleaning series start no earlier: the day the calendar was made."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """A series from the entry's day on, `until` its last day (None: goes on).

    `month_day` (monthly only) is the day asked for; a shorter month has its last day instead.
    """

    frequency: Frequency
    until: date | None = None
    month_day: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One all-day entry. `key` tells it from the others of its calendar, at most 80 characters."""

    key: str
    on: date
    text: words.Text
    repeat: Repeat | None = None
    alarm_hour: int | None = None

    def digest(self) -> str:
        """64 hexadecimal digits that differ where what people see differs."""
        repeat = self.repeat or Repeat(Frequency.DAILY)
        seen = (
            self.on.isoformat(),
            self.text.summary,
            self.text.description,
            repeat.frequency.value if self.repeat else "once",
            repeat.until.isoformat() if repeat.until else "",
            str(repeat.month_day or ""),
            "" if self.alarm_hour is None else str(self.alarm_hour),
        )
        return hashlib.sha256("\x1f".join(seen).encode()).hexdigest()


class _Purpose(StrEnum):
    CHANGE = "change"
    REFILL = "refill"


@dataclass(frozen=True, slots=True)
class _Due:
    """One part's due day; `needed`: no spare follows."""

    purpose: _Purpose
    on: date
    kind: Kind
    number: int
    needed: bool = False


def entries(lines: Sequence[LinePlan], checklists: Sequence[Checklist], look: Look) -> tuple[Entry, ...]:
    """Every entry of a calendar, by day and key. No lines and no checklists: an empty calendar."""
    found = [*_due_entries(lines, look), *_cleaning_entries(checklists, look)]
    return tuple(sorted(found, key=lambda entry: (entry.on, entry.key)))


def _due_entries(lines: Sequence[LinePlan], look: Look) -> Iterator[Entry]:
    together: dict[tuple[_Purpose, date], list[_Due]] = {}
    for line in sorted(lines, key=lambda line: PLACE[line.kind]):
        for due in _due_days(line):
            if look.with_changes if due.purpose is _Purpose.CHANGE else look.with_refills:
                together.setdefault((due.purpose, due.on), []).append(due)
    for (purpose, on), dues in together.items():
        if purpose is _Purpose.CHANGE:
            starting = [due.kind for due in dues if not due.needed]
            text = words.change_text(
                starting,
                [due.kind for due in dues if due.needed],
                [kind for wash in first_use_washes({kind: [on] for kind in starting}) for kind in wash.kinds],
                look.language,
                detailed=look.detailed,
            )
        else:
            text = words.refill_text([due.kind for due in dues], look.language, detailed=look.detailed)
        key = f"{purpose.value}:{dues[0].kind.value}:{dues[0].number}"
        yield Entry(key, on, text, alarm_hour=look.alarm_hour)


def _due_days(line: LinePlan) -> Iterator[_Due]:
    """The line's due days outside its pause; `number` counts the units of the line that have started."""
    last = line.units_started + line.spares
    days = [
        _Due(_Purpose.CHANGE, on, line.kind, n) for n, on in enumerate(line.changes_on, line.units_started)
    ]
    days.append(_Due(_Purpose.CHANGE, line.supply_ends_on, line.kind, last, needed=True))
    days.append(_Due(_Purpose.REFILL, line.ask_from, line.kind, last))
    for due in days:
        before = line.paused_from is None or due.on < line.paused_from
        after = line.paused_until is not None and due.on >= line.paused_until
        if (before or after) and due.on < date.max:  # a life beyond the calendar's end has no day to show
            yield due


def _cleaning_entries(checklists: Sequence[Checklist], look: Look) -> Iterator[Entry]:
    hour = look.alarm_hour if look.cleaning_hour is None else look.cleaning_hour
    numbers = dict.fromkeys(Frequency, 0)
    for checklist in sorted(checklists, key=lambda checklist: checklist.starts_on):
        numbers[checklist.frequency] += 1
        if checklist.frequency not in look.cleaning:
            continue
        start = max(checklist.starts_on, look.since)
        first = next(
            dates(checklist, weekday=look.weekday, month_day=look.month_day, start=start, end=date.max),
            None,
        )
        if first is None:
            continue  # over before the calendar was made, or before its first day came
        until = checklist.ends_on - timedelta(days=1) if checklist.ends_on else None
        month_day = look.month_day if checklist.frequency is Frequency.MONTHLY else None
        yield Entry(
            f"clean:{checklist.frequency.value}:{numbers[checklist.frequency]}",
            first,
            words.cleaning_text(checklist, look.language, detailed=look.detailed),
            Repeat(checklist.frequency, until, month_day),
            None if look.alarm_hour is None else hour,
        )
