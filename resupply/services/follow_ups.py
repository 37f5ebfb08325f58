"""Follow-ups: recorded as made or tried, and the clinic's own plan of them."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import FollowUp, FollowUpPlanVersion, Patient
from resupply.queries.follow_ups import plan_on
from resupply.rules import fitting
from resupply.rules.follow_ups import FollowUpStep
from resupply.services.errors import Refused
from resupply.services.records import (
    check_ahead,
    check_begin,
    check_day,
    check_reason,
    kept_whole,
    local_day,
    stamp,
    take_back,
)

FARTHEST_DAY = 730
MOST_STEPS = 12


def record_follow_up(
    *,
    patient: Patient,
    on: date,
    step: str,
    reached: bool,
    problems: Sequence[str],
    leaks: Mapping[str, str],
    is_reevaluation: bool,
    note: str,
    again_on: date | None,
    by: AbstractBaseUser | None,
    now: datetime,
) -> FollowUp:
    """Record a follow-up made (`reached`) or tried, with what troubles the patient.

    Where a place leaks, leak is among the troubles, ticked or not. Raises Refused: `before_birth`, `future`,
    `step` (not of the plan), `problem`, `leaks`, `again` (not after the day), `too_far`, `too_long`,
    `not_reached` (troubles, leaks or a re-evaluation of someone who was not reached).
    """
    today = local_day(now, patient.time_zone)
    check_day(patient, on, today=today)
    if step and step not in {known.step for known in plan_on(on)}:
        raise Refused("step", "Choose a step of the plan, or none.", "step")
    if set(problems) - {problem.id for problem in fitting.problems()}:
        raise Refused("problem", "Choose from the list of troubles.", "problems")
    marks = _checked_leaks(leaks)
    if not reached and (problems or marks or is_reevaluation):
        raise Refused("not_reached", "Say that the patient was reached, or leave the rest empty.", "reached")
    if again_on is not None:
        if again_on <= on:
            raise Refused("again", "The next try comes after this one.", "again_on")
        check_ahead(again_on, today=today, what="the next try", field="again_on")
    return FollowUp.objects.create(
        patient=patient,
        on=on,
        step=step,
        reached=reached,
        problems=sorted({*problems, *_leaking(marks)}),
        leaks=marks,
        is_reevaluation=is_reevaluation,
        note=kept_whole(note, 500, "note"),
        again_on=again_on,
        **stamp(by, now),
    )


def void_follow_up(record: FollowUp, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> FollowUp:
    """Take a follow-up back. Raises Refused `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        take_back(record, reason=reason, by=by, now=now)
    return record


def set_plan(
    steps: Sequence[FollowUpStep],
    *,
    effective_from: date,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> FollowUpPlanVersion:
    """The clinic's plan from a day on.

    Raises Refused: `steps` with `row`, `effective_from`, `reason_missing`, `reason_long`.
    """
    check_steps(steps)
    check_begin(effective_from)
    return FollowUpPlanVersion.objects.create(
        effective_from=effective_from,
        steps=[asdict(step) for step in steps],
        reason=check_reason(reason),
        **stamp(by, now),
    )


def check_steps(steps: Sequence[FollowUpStep]) -> None:
    """Raises Refused `steps` with `row` where they make no plan."""
    if len(steps) > MOST_STEPS:
        raise Refused("steps", f"A plan has at most {MOST_STEPS} steps.")
    for row, step in enumerate(steps):
        if not step.name.strip() or not step.step:
            raise Refused("steps", "Give the step a name.", "name", row=row)
        if not 0 <= step.from_day <= step.to_day <= FARTHEST_DAY:
            raise Refused(
                "steps", f"Days go from 0 to {FARTHEST_DAY}, the first before the last.", "from_day", row=row
            )
        if step.step in {earlier.step for earlier in steps[:row]}:
            raise Refused("steps", "This step is there twice.", "name", row=row)


def void_plan(
    version: FollowUpPlanVersion, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> FollowUpPlanVersion:
    """Take a plan back; the one before it counts again.

    Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        take_back(version, reason=reason, by=by, now=now)
    return version


def _leaking(marks: Mapping[str, str]) -> list[str]:
    """Leak as a trouble, where a place leaks."""
    return ["leak"] if any(mark != fitting.Leak.NONE for mark in marks.values()) else []


def _checked_leaks(leaks: Mapping[str, str]) -> dict[str, str]:
    try:
        marks = {site: fitting.Leak(leak).value for site, leak in leaks.items() if leak}
    except ValueError:
        raise Refused("leaks", "Mark each place none, slight or strong.", "leaks") from None
    if marks.keys() - fitting.all_sites().keys():
        raise Refused("leaks", "Mark the places listed.", "leaks")
    return marks
