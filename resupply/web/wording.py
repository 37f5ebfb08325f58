"""Words for people, as every screen says them: those it shares with papers, and its own. Pure functions."""

from datetime import date

from resupply.delivery.words import (
    KIND_WORDS,
    MONTHS,
    STATE_WORDS,
    cited,
    counted,
    date_words,
    day_words,
    limit_words,
    size_words,
    span_words,
    state_word,
    stop_words,
)
from resupply.rules.matching_words import source_words
from resupply.rules.tables import part_types

__all__ = [
    "KIND_WORDS",
    "MAGNET_STOPS",
    "MONTHS",
    "STATE_WORDS",
    "WEEKDAYS",
    "calendar_words",
    "cited",
    "counted",
    "date_words",
    "day_words",
    "kind_word",
    "limit_words",
    "month_words",
    "part_word",
    "period_words",
    "size_words",
    "source_words",
    "span_words",
    "state_word",
    "stop_words",
]

MAGNET_STOPS = {
    "not_asked": "Magnetic parts are stopped: answers are needed.",
    "not_known": "Magnetic parts are stopped: answers are needed.",
    "old": "Magnetic parts are stopped: answers are needed again.",
    "yes": "Magnetic parts are stopped: a yes is on record.",
}
"""Why magnetic parts are stopped (`rules.magnets.Reason`) -> the sentence for anyone: the stop, not whose
health or what implant is behind it.
"""


PURPOSE_WORDS = {
    "swap": "Part changes",
    "question": "Refill questions",
    "overdue": "Overdue parts",
    "follow_up": "Follow-ups",
    "welcome": "Welcome",
    "calendar": "Links that end",
    "refill": "Refills",
    "refill_question": "Refill question",
}
"""Purposes of messages and of consents, for staff."""


WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def month_words(day: date) -> str:
    """`Oct 2024`."""
    return f"{MONTHS[day.month - 1]} {day.year}"


CALENDAR_SHOWS = {
    "with_changes": "changes of parts",
    "with_refills": "when to think about new parts",
    "with_daily": "daily cleaning",
    "with_weekly": "weekly cleaning",
    "with_monthly": "monthly cleaning",
}


def calendar_words(calendar: object) -> str:
    """What a calendar shows: `changes of parts, daily cleaning`."""
    return ", ".join(words for name, words in CALENDAR_SHOWS.items() if getattr(calendar, name))


def part_word(code: str) -> str:
    """The name of a billing code's part type; nothing for a code that is not known."""
    part = part_types().get(code)
    return part.name if part else ""


def period_words(count: int, unit: str) -> str:
    """`2 months`."""
    return counted(count, unit)


def kind_word(kind: str) -> str:
    """The name of a kind of part on screen."""
    return KIND_WORDS[kind]
