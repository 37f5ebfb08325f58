"""Reaching in words: states, the bar, and one patient's row."""

from dataclasses import dataclass
from datetime import datetime

from resupply.queries.recall_reach import Progress, Row, Show
from resupply.rules.recall_notices import SETTLED, Reach, to_call
from resupply.web.wording import counted

SHOW_WORDS = {
    Show.CALL: "To call",
    Show.UNREACHED: "Not reached yet",
    Show.SETTLED: "Reached or written off",
    Show.ALL: "Everyone",
}
REACH_WORDS = {
    Reach.REPLACED: "part replaced",
    Reach.RETURNED: "part returned",
    Reach.REACHED: "reached",
    Reach.WRITTEN_OFF: "written off",
    Reach.TRIED: "tried, not reached",
    Reach.WRITTEN: "written to, no answer",
    Reach.QUEUED: "message on its way",
    Reach.OPEN: "nothing yet",
}


@dataclass(frozen=True, slots=True)
class Bar:
    """The bar: how many of how many, and the numbers behind it in words."""

    settled: int
    people: int
    sentence: str
    parts: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class RowWords:
    """A row and its words."""

    row: Row
    state: str
    is_settled: bool
    calls: bool
    why_call: str


def bar(progress: Progress) -> Bar:
    """The bar of a notice."""
    people = counted(progress.people, "person,people")
    sentence = f"{progress.settled} of {people} reached or written off"
    parts = tuple((REACH_WORDS[state], number) for state, number in progress.by_state.items() if number)
    return Bar(progress.settled, progress.people, sentence, parts)


def row_words(row: Row, *, now: datetime) -> RowWords:
    """The words of a row; `why_call` says why no message does instead."""
    days = (now - row.written_at).days if row.written_at else None
    calls = to_call(row.state, written_days_ago=days, is_queued=row.is_queued)
    why = ""
    if calls and days is not None:
        why = f"no answer for {counted(days, 'day')}"
    elif calls and not row.is_writable:
        reachable = row.patient.email or row.patient.phone
        why = "has not agreed to e-mail or texts" if reachable else "no e-mail address, no phone"
    return RowWords(row, REACH_WORDS[row.state], row.state in SETTLED, calls, why)
