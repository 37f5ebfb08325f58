"""Terms of messages: at which hours, how many a week, how long to wait, as versions dated from a day on.

The rule in plain words. The version in force on the patient's own day counts: the one that begins last by
then; of two that begin on one day, the later one made. Before the first version the shipped terms hold: 09:00
to 20:00, three messages a week, a question asked once more after 5 days, the end of a link written about 14
days ahead.

Limits that no version may leave: not before 08:00 nor from 21:00 on; one message a day; at most three in any
seven days in a row. A message counts on the patient's own day it was written for, once it went out, may have
gone out, or waits to go out. Answers to a text that the patient sent, and notices of a recall, are sent
whatever the count; a notice of a recall counts for what comes after it.

Sources: hours 47 CFR 64.1200(c)(1) (`reminders.py`); one a day and three a week are the limits of the FCC's
healthcare exemption (order of 2015-07-10, now 47 CFR 64.1200(a)(9)(iv); from memory), taken over for mail
too.

>>> SHIPPED.hours.opens, SHIPPED.per_week
(datetime.time(9, 0), 3)
>>> days = [date(2026, 3, 2), date(2026, 3, 4), date(2026, 3, 6)]
>>> has_room(days, day=date(2026, 3, 8), per_week=3), has_room(days, day=date(2026, 3, 9), per_week=3)
(False, True)
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from resupply.rules.reminders import DEFAULT_HOURS, Hours

WEEK = timedelta(days=7)
MOST_A_WEEK = 3
LONGEST_WAIT = 28
"""Days: a question is open for 30, so it is asked again before, or never."""
LONGEST_AHEAD = 60


@dataclass(frozen=True, slots=True)
class MessageTerms:
    """What holds from `effective_from` on (None: since ever); days are whole days."""

    hours: Hours = DEFAULT_HOURS
    per_week: int = MOST_A_WEEK
    second_ask_days: int = 5
    link_ahead_days: int = 14
    effective_from: date | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.per_week <= MOST_A_WEEK:
            raise ValueError("one to three messages a week")


SHIPPED = MessageTerms()


@dataclass(frozen=True, slots=True)
class Schedule:
    """All versions, in the order in which they were made."""

    versions: Sequence[MessageTerms] = ()

    def on(self, day: date) -> MessageTerms:
        """The terms in force on a patient's day."""
        found = SHIPPED
        for version in self.versions:
            begins = version.effective_from or date.min
            if begins <= day and begins >= (found.effective_from or date.min):
                found = version
        return found

    def hours_on(self, day: date) -> Hours:
        """The hours of a patient's day."""
        return self.on(day).hours


def has_room(days: Iterable[date], *, day: date, per_week: int) -> bool:
    """Whether one more message of `day` leaves every seven days in a row at `per_week` or fewer, and the day
    at one; `days`: those of the messages that count.

    Messages of later days count like those of earlier ones: a patient's day may go back when the zone on
    record is corrected. That may hold a message that just fits, and never lets one too many out.
    """
    near = [one for one in days if abs(one - day) < WEEK]
    return day not in near and len(near) < per_week
