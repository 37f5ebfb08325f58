"""Sending: what a carrier answers, and what becomes of a message after it.

The rule in plain words. A message that the carrier took is sent. One that it refuses for good (no such
address) has failed, and a person sees it. One that it refuses for now waits a little longer after every
attempt, and fails after `MOST_ATTEMPTS`. Where no carrier can be reached nothing was tried: the message
waits and no attempt is counted. Where the connection broke off after the sending had begun, nobody knows
whether the message arrived: it is tried once more, under the same Message-ID, and a second break is left
to a person; so a fault costs at most one copy.

Source: ours; the division into temporary (4yz) and permanent (5yz) answers is RFC 5321 section 4.2.1.

>>> after(Outcome.LATER, attempts=1, is_unsure=False).wait
datetime.timedelta(seconds=60)
>>> after(Outcome.UNSURE, attempts=1, is_unsure=True).fate
<Fate.FAILED: 'failed'>
"""

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Protocol


class Outcome(StrEnum):
    """What a carrier answered."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    LATER = "later"
    UNSURE = "unsure"
    UNREACHABLE = "unreachable"


class Fate(StrEnum):
    """What becomes of the message."""

    SENT = "sent"
    FAILED = "failed"
    WAITING = "waiting"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The fate; how long it waits; whether the attempt counts; whether the message may have arrived."""

    fate: Fate
    wait: timedelta | None = None
    counts: bool = True
    is_unsure: bool = False


MOST_ATTEMPTS = 6
_WAITS = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 30, 60))
_UNREACHABLE_WAIT = timedelta(minutes=2)


def after(outcome: Outcome, *, attempts: int, is_unsure: bool) -> Verdict:
    """What follows from an answer to the `attempts`-th attempt (>= 1); `is_unsure`: one broke off before."""
    if outcome is Outcome.ACCEPTED:
        return Verdict(Fate.SENT)
    if outcome is Outcome.UNREACHABLE:
        return Verdict(Fate.WAITING, _UNREACHABLE_WAIT, counts=False, is_unsure=is_unsure)
    gives_up = (
        outcome is Outcome.REFUSED or attempts >= MOST_ATTEMPTS or (outcome is Outcome.UNSURE and is_unsure)
    )
    unsure = is_unsure or outcome is Outcome.UNSURE
    if gives_up:
        return Verdict(Fate.FAILED, is_unsure=unsure)
    return Verdict(Fate.WAITING, _WAITS[attempts - 1], is_unsure=unsure)


@dataclass(frozen=True, slots=True)
class Note:
    """What is to be said to whom: `step` is a reminder step, `key` names the message for ever.

    `token` is the secret of the link by which the patient may answer; empty: by telephone. `purpose` names
    the wording where it is not that of a refill; `also` are further purposes in the same message. `kinds`
    are the kinds of parts it is about, given only where the patient chose wording that names them.
    `stop_token` is the secret of the one-click way out, `page_token` that of the patient's own page.
    """

    key: str
    address: str
    given_name: str
    language: str
    step: str
    phone: str
    token: str = ""
    purpose: str = ""
    also: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    stop_token: str = ""
    page_token: str = ""

    @property
    def secrets(self) -> tuple[str, ...]:
        """What of the note is never stored."""
        return tuple(token for token in (self.token, self.stop_token, self.page_token) if token)


@dataclass(frozen=True, slots=True)
class Letter:
    """A note in words, as it is sent; `stop_url` is the address of its one-click way out."""

    key: str
    address: str
    language: str
    subject: str
    text: str
    html: str
    stop_url: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """A carrier's answer; `detail` is for staff (a code, a kind of error), without personal data.

    `reference` is the carrier's own name for the message, by which it tells later what became of it.
    """

    outcome: Outcome
    detail: str = ""
    reference: str = ""


class Carrier(Protocol):
    """Takes messages out of the building: one for a batch, closed after it."""

    def compose(self, note: Note) -> Letter:
        """Put a note into words."""
        ...

    def send(self, letter: Letter) -> Answer:
        """Hand a letter over. Never raises for what a server or a network does."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...
