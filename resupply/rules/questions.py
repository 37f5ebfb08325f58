"""The refill question: which lines are asked about together, when it is asked again, when it expires.

The rule in plain words. A line may be asked about once its `ask_from` has come, and not before: that is the
earliest contact of the payer's refill rule. Lines are asked about together where one delivery can serve
them, and that delivery is the first of the fewest (`bundling.py`): it comes no earlier than the patient's
answer, for which a week is allowed, so it is the last open day of the most pressing line's window or the
first open day from that week on; every other line whose window has opened by then goes along. A line that
opens later waits for a question of its own.

A question that nobody answers is asked once more after `SECOND_AFTER` days, and `CALL_AFTER` days after
that the patient is on the desk's list of calls; by then nothing more is sent about it. After
`EXPIRES_AFTER` days it has expired. No reply is no answer, and never a yes. An answer after expiry is kept
and shown to a person.

Edge cases: a window that has passed is met as soon as it can be (so a line long overdue leaves out what
opens more than a week ahead); a window that is empty because coverage opens later ends on `refill_on`
(semantics of the fewest deliveries); of several pressing lines the earliest end counts, so that all of
them are served by one day.

Sources: 42 CFR 410.38(d)(4) and the supplier contractors' refill documentation rules (the patient's own yes
to each refill, within the contact window, by any channel that captures each element; no standing consent).
The numbers of days are ours.

>>> cushion = Askable("cushion", date(2026, 3, 1), date(2026, 3, 21), date(2026, 3, 31), date(2026, 3, 31))
>>> mask = Askable("mask", date(2026, 3, 20), date(2026, 4, 9), date(2026, 4, 19), date(2026, 4, 19))
>>> [line.kind for line in bundle([cushion, mask], day=date(2026, 3, 20), open_days=OpenDays())]
['cushion']
>>> [line.kind for line in bundle([cushion, mask], day=date(2026, 4, 2), open_days=OpenDays())]
['cushion', 'mask']
>>> next_step(date(2026, 3, 20), messages=1, last_on=date(2026, 3, 20), day=date(2026, 3, 25)).value
'again'
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from resupply.rules.bundling import DeliveryDay, OpenDays, Refill, closing, first_delivery

EXPIRES_AFTER = timedelta(days=30)
"""A question is open so long (ours): as long as the published contact window before the end of supply."""
SECOND_AFTER = timedelta(days=5)
"""The question is asked once more so long after its first message (ours)."""
CALL_AFTER = timedelta(days=7)
"""After a message that old somebody calls; after an answer nobody asks for as long (ours)."""
ANSWER_TIME = timedelta(days=7)
"""What a patient is given to answer before a delivery is planned (ours)."""
MOST_MESSAGES = 2
"""So many messages of its own carry a question: the first and one more."""


@dataclass(frozen=True, slots=True)
class Askable:
    """The dates of a line's next refill."""

    kind: str
    ask_from: date
    deliver_from: date
    supply_ends_on: date
    refill_on: date

    @property
    def closes_on(self) -> date:
        """The last day of the window `[deliver_from, closes_on]`."""
        return closing(self.deliver_from, self.supply_ends_on, self.refill_on)


class Next(StrEnum):
    """What happens next to an open question."""

    WAIT = "wait"
    AGAIN = "again"
    """It is asked once more."""
    CALL = "call"
    """Somebody calls."""
    EXPIRE = "expire"


def delivery(lines: Iterable[Askable], *, day: date, open_days: OpenDays) -> DeliveryDay | None:
    """The delivery that a question on `day` is about, on one of the location's open days; None: there is
    nothing to ask about.
    """
    refills = [
        Refill(
            line.kind, line.deliver_from, line.closes_on, line.refill_on, 0, not_before=day + ANSWER_TIME
        )
        for line in lines
        if line.ask_from <= day
    ]  # fmt: skip
    return first_delivery(refills, open_days)


def bundle(lines: Iterable[Askable], *, day: date, open_days: OpenDays) -> tuple[Askable, ...]:
    """The lines one question on `day` is about, in the order given: one delivery serves them all."""
    lines = tuple(lines)
    served = delivery(lines, day=day, open_days=open_days)
    kinds = {met.refill.kind for met in served.met} if served else set()
    return tuple(line for line in lines if line.kind in kinds)


def next_step(
    asked_on: date,
    *,
    messages: int,
    last_on: date | None,
    day: date,
    second_after: timedelta = SECOND_AFTER,
) -> Next:
    """What happens next to an open question asked on `asked_on`.

    `messages` of it went out, the last on `last_on` (None: none yet). A patient who was never reached is not
    asked "again": the first message is still to come.
    """
    if day >= asked_on + EXPIRES_AFTER:
        return Next.EXPIRE
    if last_on is None:
        return Next.WAIT
    if messages >= MOST_MESSAGES:
        return Next.CALL if day >= last_on + CALL_AFTER else Next.WAIT
    return Next.AGAIN if day >= last_on + second_after else Next.WAIT
