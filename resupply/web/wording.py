"""Words for people: dates, states, quantities and kinds, as every screen says them. Pure functions, no clock.

Month and day names are fixed English, not the server's locale, so that two machines print the same page.
"""

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


MAGNET_STOPS = {
    "not_asked": "Magnetic parts are stopped: answers are needed.",
    "not_known": "Magnetic parts are stopped: answers are needed.",
    "old": "Magnetic parts are stopped: answers are needed again.",
    "yes": "Magnetic parts are stopped: a yes is on record.",
}
"""Why magnetic parts are stopped (`rules.magnets.Reason`) -> the sentence for anyone: the stop, not whose
health or what implant is behind it.
"""


STOP_WORDS = {
    "wrong_family": "another mask family",
    "too_early": "too early",
    "too_many": "more than the limit",
    "asked_too_early": "asked too early",
}
"""What a line given as an exception lies outside of (`rules.stops`) -> its words on lists."""


def day_words(day: date, *, today: date | None) -> str:
    """`Sat 28 Mar`; with the year where it differs from today's, or where today is not known."""
    words = f"{_DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"
    return words if today is not None and day.year == today.year else f"{words} {day.year}"


def birth_words(day: date) -> str:
    """`4 Feb 1961`: dates of birth and of other things long past need no weekday."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def month_words(day: date) -> str:
    """`Oct 2024`."""
    return f"{MONTHS[day.month - 1]} {day.year}"


def counted(number: int, noun: str) -> str:
    """`1 spare`, `2 spares`; a plural of its own follows a comma: `counted(2, "battery,batteries")`."""
    one, _, many = noun.partition(",")
    return f"{number:,} {one if number == 1 else many or one + 's'}"


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


def kind_word(kind: str) -> str:
    """The name of a kind of part on screen."""
    return KIND_WORDS[kind]


_MARKS = {
    "P": "published",
    "P2": "published, known from a report of it",
    "M": "from memory, to be checked",
    "CP": "common practice",
    "D": "the clinic's own",
}


def source_words(mark: str, source: str) -> str:
    """A source with what it is worth, said once: `common practice; no trial found`."""
    worth = _MARKS.get(mark, mark)
    told = source.casefold()
    for said in (worth, worth.partition(",")[0]):
        if told.startswith(said):
            return worth + source[len(said) :]
    return f"{worth}: {source}"
