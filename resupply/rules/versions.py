"""Dated versions: which one is in force on a day, and the life of a code over time.

A version is in force from its effective date until the next one's; of two with the same date the later
recorded counts. The life of a code comes from, strongest first: the patient's own override, the clinic's
policy, the shipped default (which is in force from ever). Source: ours.
"""

from collections.abc import Sequence
from datetime import date
from typing import Protocol, TypeVar

from resupply.rules.facts import LifeStep, LifeVersion, Policy, Schedule


class Dated(Protocol):
    """Anything in force from a day on."""

    @property
    def effective_from(self) -> date:
        """First day in force."""


V = TypeVar("V", bound=Dated)


def in_force(versions: Sequence[V], day: date) -> V | None:
    """The version in force on a day; None before the first. The sequence may be in any order."""
    best: V | None = None
    for version in versions:
        start = version.effective_from
        if start <= day and (best is None or start >= best.effective_from):
            best = version
    return best


def in_force_or_first(versions: Sequence[V], day: date) -> V | None:
    """The version in force on a day; before the first version, the first; None: there is none."""
    if not versions:
        return None
    found = in_force(versions, day)
    return found or in_force(versions, min(version.effective_from for version in versions))


def life_schedule(code: str, policy: Policy, own: Sequence[LifeVersion] = ()) -> Schedule:
    """The life of a code over time, the first step from the earliest possible day.

    Raises KeyError for a code without a shipped life. Schedules without overrides are kept with the policy.
    """
    if not own:
        kept = policy.schedules.get(code)
        if kept is None:
            kept = policy.schedules[code] = _merged(code, policy, ())
        return kept
    return _merged(code, policy, own)


def _merged(code: str, policy: Policy, own: Sequence[LifeVersion]) -> Schedule:
    clinic = policy.clinic_lives.get(code, ())
    default = policy.default_lives[code]
    days = sorted({date.min, *(v.effective_from for v in clinic), *(v.effective_from for v in own)})
    steps: list[LifeStep] = []
    chosen: LifeVersion | None = None
    for day in days:
        version = in_force(own, day)
        if version is None or version.life is None:
            version = in_force(clinic, day)
        if version is None or version.life is None:
            version = default
        if version is not chosen and version.life is not None:
            steps.append(LifeStep(day, version.life, version.ref))
            chosen = version
    return tuple(steps)


def life_on(schedule: Schedule, day: date) -> LifeStep:
    """The step of a schedule in force on a day."""
    for step in reversed(schedule):
        if step.start <= day:
            return step
    raise ValueError("a schedule starts at the earliest possible day")
