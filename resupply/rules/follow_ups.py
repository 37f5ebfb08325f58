"""Follow-ups: when a patient is contacted after therapy starts or a mask is fitted anew.

The rule in plain words. A plan has steps, each counted in days from an anchor: the first night of therapy,
or the day of a refit. A step is due from its first to its last day; a contact that reached the patient
within, or after, settles every step that has begun by then and is settled by none before. What is open and
past its last day is late.

Sources: AASM guideline 2019 (J Clin Sleep Med 2019;15(2):335-343): adequate follow-up with troubleshooting
and review of data after start and during treatment; contact within about a month: NICE NG202, from memory.
The days are common practice and the clinic's to edit.

>>> [(step.step, step.first, step.last) for step in due_steps(date(2026, 3, 1), SHIPPED)][0]
('first_week', datetime.date(2026, 3, 4), datetime.date(2026, 3, 8))
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum


class FollowUpState(StrEnum):
    """How a step of the plan stands."""

    DONE = "done"
    LATE = "late"
    DUE = "due"
    AHEAD = "ahead"


@dataclass(frozen=True, slots=True)
class FollowUpStep:
    """A step of the plan: due from day `from_day` to day `to_day` after the anchor, both included."""

    step: str
    name: str
    from_day: int
    to_day: int


SHIPPED = (
    FollowUpStep("first_week", "First week", 3, 7),
    FollowUpStep("one_month", "One month", 25, 35),
    FollowUpStep("three_months", "Three months", 80, 95),
)


@dataclass(frozen=True, slots=True)
class DueStep:
    """A step as it falls for one patient."""

    step: str
    name: str
    first: date
    last: date


def step_code(name: str) -> str:
    """The code of a step from its name: the same name is the same step.

    >>> step_code("First week, by phone")
    'first_week_by_phone'
    """
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:20]


def due_steps(anchor: date, plan: Sequence[FollowUpStep]) -> tuple[DueStep, ...]:
    """The steps counted from an anchor, in order."""
    return tuple(
        DueStep(
            step.step,
            step.name,
            anchor + timedelta(days=step.from_day),
            anchor + timedelta(days=step.to_day),
        )
        for step in plan
    )


def state(step: DueStep, reached: Iterable[date], *, as_of: date) -> FollowUpState:
    """How a step stands; `reached`: the days on which the patient was reached for a follow-up."""
    if any(step.first <= day <= as_of for day in reached):
        return FollowUpState.DONE
    if as_of < step.first:
        return FollowUpState.AHEAD
    return FollowUpState.DUE if as_of <= step.last else FollowUpState.LATE
