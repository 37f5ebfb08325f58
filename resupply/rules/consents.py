"""Consents: whether a patient may be written to on a channel about a purpose.

The rule in plain words. A record is a yes or a no to a channel, for one purpose or, where it names none, for
every purpose. The newest standing record that covers channel and purpose counts; where there is none, the
answer is no. So a later no to everything ends an earlier yes to one purpose, and a later yes to one purpose
opens that one alone.

Edge cases: a voided record counts for nothing, and what it had replaced counts again; two records of one day
count in the order in which they were made.

Calls. A patient may be called about supplies with a written permission on record, or within 15 months after a
supply; in every case unless calls were refused (`may_call`). Source: Social Security Act section 1834(a)(17),
as remembered; the reading of *15 months* as calendar
months, the last day left out, is ours. This is about calls that the clinic
starts, and a caution for staff: what the law asks in a case, they check.

>>> records = [Said("mail", "", True), Said("mail", "overdue", False)]
>>> may_write(records, "mail", "question"), may_write(records, "mail", "overdue")
(True, False)
>>> may_call([], supplied_on=date(2025, 1, 10), today=date(2026, 4, 9)).value
'supplied'
>>> may_call([], supplied_on=date(2025, 1, 10), today=date(2026, 4, 10)).value
'none'
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from resupply.rules.periods import Period, Unit, add
from resupply.rules.purposes import URGENT_FIRST, Purpose

SUPPLY_COUNTS = Period(15, Unit.MONTH)


@dataclass(frozen=True, slots=True)
class Said:
    """A standing yes or no; `purpose` empty: to every purpose. `on_paper`: it is signed."""

    channel: str
    purpose: str
    granted: bool
    on_paper: bool = False

    def covers(self, channel: str, purpose: str) -> bool:
        """Whether it says anything about a channel and purpose."""
        return self.channel == channel and self.purpose in ("", purpose)


def newest(records: Iterable[Said], channel: str, purpose: str) -> Said | None:
    """The record that counts, of records in the order in which they were made."""
    found = None
    for record in records:
        if record.covers(channel, purpose):
            found = record
    return found


def may_write(records: Iterable[Said], channel: str, purpose: str) -> bool:
    """Whether a message about a purpose may go out on a channel."""
    record = newest(records, channel, purpose)
    return record is not None and record.granted


@dataclass(frozen=True, slots=True)
class Way:
    """The channel of a message and the purposes it carries there, the most pressing first."""

    channel: str
    purposes: tuple[Purpose, ...]


def choose(
    purposes: Iterable[Purpose], said: Sequence[Said], *, reachable: Sequence[str], preferred: str = ""
) -> Way | None:
    """How one message carries what is due on a day; None: nothing may be written.

    The most pressing purpose that may be written about at all chooses the channel: the preferred one, else
    the first of `reachable`. What may not go on that channel waits. A text message holds one purpose.

    >>> yes = [Said("mail", "", True), Said("text", "swap", True)]
    >>> choose([Purpose.SWAP, Purpose.QUESTION], yes, reachable=["mail", "text"], preferred="text").channel
    'mail'
    >>> choose([Purpose.SWAP], yes, reachable=["mail", "text"], preferred="text").channel
    'text'
    """
    due = set(purposes)
    ordered = [purpose for purpose in URGENT_FIRST if purpose in due]
    channels = sorted(reachable, key=lambda channel: channel != preferred)
    for leading in ordered:
        for channel in channels:
            if may_write(said, channel, leading):
                carried = [one for one in ordered if may_write(said, channel, one)]
                return Way(channel, (leading,) if channel == "text" else tuple(carried))
    return None


class CallGround(StrEnum):
    """On which ground a call may be made, or that there is none."""

    WRITTEN = "written"
    SUPPLIED = "supplied"
    NONE = "none"
    REFUSED = "refused"


def may_call(records: Iterable[Said], *, supplied_on: date | None, today: date) -> CallGround:
    """The ground of a call about supplies; `supplied_on`: the latest supply."""
    record = newest(records, "phone", "")
    if record is not None and not record.granted:
        return CallGround.REFUSED
    if record is not None and record.on_paper:
        return CallGround.WRITTEN
    if supplied_on is not None and today < add(supplied_on, SUPPLY_COUNTS):
        return CallGround.SUPPLIED
    return CallGround.NONE
