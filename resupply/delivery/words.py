"""Words that screens and papers share: days, numbers, states, kinds and stops. Pure functions, no clock.

Month and day names are fixed English, not the server's locale, so that two machines print the same page.
"""

import re
from collections.abc import Iterable
from datetime import date

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

STATE_WORDS = {
    "paused": "Paused",
    "overdue": "Overdue",
    "due": "Due today",
    "deliver": "Ready",
    "ask": "Ask now",
    "in_supply": "In supply",
}
"""State of a line -> the word on screen (`deliver` is shown as "Ready")."""

KIND_WORDS = {
    "mask": "Mask",
    "cushion": "Cushion",
    "oral_cushion": "Oral cushion",
    "combination_pillows": "Nasal pillows",
    "headgear": "Headgear",
    "chin_strap": "Chin strap",
    "tubing": "Tubing",
    "filter_disposable": "Disposable filter",
    "filter_reusable": "Reusable filter",
    "chamber": "Water chamber",
}
"""Kind of part -> its name on screen."""


STOP_WORDS = {
    "wrong_family": "another mask family",
    "too_early": "too early",
    "too_many": "more than the limit",
    "asked_too_early": "asked too early",
}
"""What a line given as an exception lies outside of (`rules.stops`) -> its words on lists."""


def day_words(day: date, *, today: date | None) -> str:
    """`Sat 28 Mar`; with the year where it differs from today's, or where today is not known."""
    weekday = _DAYS[day.weekday()]
    if today is None or day.year != today.year:
        return f"{weekday} {date_words(day)}"
    return f"{weekday} {day.day} {MONTHS[day.month - 1]}"


def date_words(day: date) -> str:
    """`28 Mar 2026`: a day of which nobody asks the weekday, as of a birth."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def cited(source: str) -> str:
    """A source as people read it: `article of 9 Sep 2011`, where it is kept with `2011-09-09`.

    >>> cited("88 FR 77676 (2023-11-13), quoted by 2024-13-01")
    '88 FR 77676 (13 Nov 2023), quoted by 2024-13-01'
    """
    return re.sub(r"\b\d{4}-\d\d-\d\d\b", _day_cited, source)


def _day_cited(found: re.Match[str]) -> str:
    try:
        return date_words(date.fromisoformat(found[0]))
    except ValueError:  # digits that are no day
        return found[0]


def span_words(first: date, last: date, *, today: date | None) -> str:
    """Days from the first to the last; one day as that day."""
    ends = dict.fromkeys((first, last))
    return " to ".join(day_words(day, today=today) for day in ends)


def counted(number: int, noun: str) -> str:
    """`1 spare`, `2 spares`; a plural of its own follows a comma: `counted(2, "battery,batteries")`."""
    one, _, many = noun.partition(",")
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def size_words(number: int) -> str:
    """Bytes as people read them: 388 kB, 1.2 GB."""
    value, unit = float(number), "bytes"
    for larger in ("kB", "MB", "GB", "TB"):
        if value < 1000:
            break
        value, unit = value / 1000, larger
    return f"{value:.0f} {unit}" if value >= 10 or unit == "bytes" else f"{value:.1f} {unit}"


def state_word(state: str, days_overdue: int | None = None) -> str:
    """The word of a state; overdue says how long: `9 days overdue`."""
    if state == "overdue" and days_overdue:
        return f"{counted(days_overdue, 'day')} overdue"
    return STATE_WORDS[state]


def limit_words(limit: int | None) -> str:
    """A quantity limit; none on file is exactly "no published limit", never 0 and never unlimited."""
    return "no published limit" if limit is None else f"{limit:,}"


def stop_words(codes: Iterable[str]) -> str:
    """`too early, more than the limit`: what an exception lies outside of."""
    return ", ".join(STOP_WORDS[code] for code in codes if code in STOP_WORDS)
