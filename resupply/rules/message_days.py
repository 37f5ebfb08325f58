"""On which days a patient is written to about refills and about the end of a link, if nothing happens.

The rule in plain words. This is what the sweep does day by day (`reminders`, `questions`, `message_terms`),
worked out ahead for one patient: nobody answers, nothing is given, every message goes out on its day. It is
the most that terms of messages can lead to, so two terms can be compared by it. On a day there is at most one
message, and none where the terms leave no room in seven days. A line is written about when it reaches a step
it has not been written about; the message carries the patient's open question or opens one; while one is open
a line that only comes to be asked about waits. Else a question that went out once is asked once more. Else
the link of the own page that ends soon is written about. A message counts under its most pressing step.

Edge cases: a purpose without a yes is not written about; a patient in a pause is not asked once more. Part
changes, welcomes and follow-ups are left out: terms do not move them, but for a day without room.

Source: ours, from the modules named; a test compares it with the sweep itself, day by day.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from resupply.rules.bundling import OpenDays
from resupply.rules.message_terms import Schedule, has_room
from resupply.rules.purposes import Purpose, of_step
from resupply.rules.questions import EXPIRES_AFTER, MOST_MESSAGES, Askable, Next, bundle, next_step
from resupply.rules.reminders import ASK_AGAIN, LADDER, Refill, is_paused, step_reached

LINK = "link"
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class MessageLine:
    """A line that may be written about; `written`: the rank of the highest step written about its refill."""

    dates: Askable
    paused_from: date | None = None
    paused_until: date | None = None
    written: int = 0

    @property
    def refill(self) -> Refill:
        """As the ladder reads it."""
        return Refill(self.dates.ask_from, self.dates.refill_on, self.paused_from, self.paused_until)


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """A question that waits for an answer: `messages` of it went out, the last on `last_on`."""

    asked_on: date
    messages: int
    last_on: date | None


@dataclass(frozen=True, slots=True)
class Mailbox:
    """What is known of one patient before the first day: days that have a message, the days on which links
    end that were not written about, and what may be written about.
    """

    lines: tuple[MessageLine, ...]
    writes: frozenset[Purpose]
    open_days: OpenDays
    days: frozenset[date] = frozenset()
    question: OpenQuestion | None = None
    links: tuple[date, ...] = ()


@dataclass(slots=True)
class _Now:
    """How far one patient has come."""

    days: set[date]
    question: OpenQuestion | None
    written: dict[str, int]
    links: list[date] = field(default_factory=list)


def messages(box: Mailbox, terms: Schedule, *, since: date, until: date) -> list[tuple[date, str]]:
    """Day and step (or `link`) of every message in `[since, until)`."""
    now = _Now(set(box.days), box.question, {one.dates.kind: one.written for one in box.lines}, [*box.links])
    found = []
    day = since
    while day < until:
        if now.question and day >= now.question.asked_on + EXPIRES_AFTER:
            now.question = None
        if has_room(now.days, day=day, per_week=terms.on(day).per_week) and (
            step := _write(box, now, terms, day)
        ):
            now.days.add(day)
            found.append((day, step))
        day += _DAY
    return found


def _write(box: Mailbox, now: _Now, terms: Schedule, day: date) -> str:
    """What the message of a day is about; empty: there is none. Marks what is written about as written."""
    due = _due(box, now, day)
    ending = [] if Purpose.CALENDAR not in box.writes else _ending(now, day, terms.on(day).link_ahead_days)
    step = ""
    if due:
        step = max(due, key=lambda one: one[1])[2]
        now.written.update((kind, rank) for kind, rank, _ in due)
        _carry(now, day)
    elif _asks_again(box, now, terms, day):
        _carry(now, day)
        return ASK_AGAIN.name
    elif ending:
        step = LINK
    if step:
        now.links = [end for end in now.links if end not in ending]
    return step


def _due(box: Mailbox, now: _Now, day: date) -> list[tuple[str, int, str]]:
    """Kind, rank and step of each line that is newly to be written about."""
    found = []
    for line in box.lines:
        step = step_reached(line.refill, day=day)
        if step is None or step.rank <= now.written[line.dates.kind] or of_step(step.name) not in box.writes:
            continue
        if step != LADDER[0] or now.question is None or not now.question.messages:
            found.append((line.dates.kind, step.rank, step.name))
    if not found:
        return []
    kinds = {one.kind for one in _asked(box, day)}
    return [one for one in found if one[0] in kinds]


def _asked(box: Mailbox, day: date) -> Sequence[Askable]:
    """The lines that one question of a day is about."""
    lines = [one for one in box.lines if one.dates.ask_from <= day and not is_paused(one.refill, day=day)]
    return bundle((one.dates for one in lines), day=day, open_days=box.open_days)


def _asks_again(box: Mailbox, now: _Now, terms: Schedule, day: date) -> bool:
    question = now.question
    if question is None or Purpose.QUESTION not in box.writes or question.messages >= MOST_MESSAGES:
        return False
    after = timedelta(days=terms.on(day).second_ask_days)
    step = next_step(
        question.asked_on,
        messages=question.messages,
        last_on=question.last_on,
        day=day,
        second_after=after,
    )
    if step is not Next.AGAIN or any(is_paused(one.refill, day=day) for one in box.lines):
        return False
    return bool(_asked(box, day))


def _ending(now: _Now, day: date, ahead: int) -> list[date]:
    return [end for end in now.links if day <= end <= day + timedelta(days=ahead)]


def _carry(now: _Now, day: date) -> None:
    """The message carries the open question, or opens one."""
    if now.question is None:
        now.question = OpenQuestion(day, 1, day)
    else:
        now.question = OpenQuestion(now.question.asked_on, now.question.messages + 1, day)
