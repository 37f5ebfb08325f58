"""Reminders into the outbox: what the plans say is due, as messages with their reasons.

The database is asked what is due, so it does not matter how often or by how many this runs, or how long it
did not: a step is written about once (`MessageReason`), a patient once a day (`Message`), and only the
highest step reached counts. Both are unique constraints; of two sweeps at once, the second waits for the
first and adds nothing.

Where patients may answer by link (`by_link`), every message carries a refill question: the open one, or a new
one about the lines that one delivery serves. A question nobody answers is asked once more.
"""

from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from itertools import groupby

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    Channel,
    Message,
    MessageReason,
    PlanLine,
    QuestionPart,
    QuestionState,
    RefillQuestion,
)
from resupply.queries import questions as question_queries
from resupply.queries.reminders import DueLine, due_lines, may_mail, windows
from resupply.rules.questions import EXPIRES_AFTER, SECOND_AFTER, Next, next_step
from resupply.rules.reminders import ASK_AGAIN, Window, next_window
from resupply.services import plans
from resupply.services.errors import Refused

PURPOSE = "refill"
QUESTION = "refill_question"


def enqueue_due(*, now: datetime, by_link: bool = False, limit: int = 1000) -> int:
    """Queue a message for every patient with something new to say, and return how many were added.

    A message belongs to the patient's day on which it may next be sent: within sending hours today, at night
    the coming day. All lines of a patient go into one. A transaction writes at most `limit` lines.
    """
    openings = windows(now=now)
    added = 0
    for day in sorted({window.day for window in openings.values()}):
        zones = {zone: window for zone, window in openings.items() if window.day == day}
        after = 0
        while lines := due_lines(day=day, zones=zones.keys(), after=after, limit=limit):
            added += _enqueue(lines, zones, now=now, by_link=by_link)
            after = lines[-1].patient_id
        if by_link:
            added += _repeat(day, zones, now=now, limit=limit)
    return added


def ask_again(question: RefillQuestion, *, by: AbstractBaseUser | None, now: datetime) -> Message:
    """Queue one more message of a question at a person's wish; one that has expired is asked anew.

    Raises Refused: `not_open`, `no_mail`, `nothing_left`, `written_today`.
    """
    patient = question.patient
    window = next_window(now, patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        question.refresh_from_db()
        if question.state not in {QuestionState.OPEN, QuestionState.EXPIRED}:
            raise Refused("not_open", "This question has been answered or withdrawn already.")
        if not (patient.email and may_mail(patient)):
            raise Refused("no_mail", "There is no address with a yes to e-mail on record. Call the patient.")
        lines = question_queries.askable([patient.pk], day=window.day).get(patient.pk)
        if not lines:
            raise Refused("nothing_left", "Nothing is to be asked now: it was answered, given or is not due.")
        MessageReason.objects.filter(patient=patient, step=ASK_AGAIN.name, stands=True).update(stands=False)
        added = _write(
            {patient.pk: _message(patient.pk, window, now, QUESTION)}, {patient.pk: lines}, now=now
        )
        if not added:
            raise Refused("written_today", "This patient has a message of today already. Ask again tomorrow.")
    return added[patient.pk]


@transaction.atomic
def _enqueue(
    lines: Iterable[DueLine], openings: Mapping[str, Window], *, now: datetime, by_link: bool
) -> int:
    """Write the messages of whole patients; a patient who got a message of that day meanwhile is left out."""
    by_patient = {patient: list(group) for patient, group in groupby(lines, key=lambda line: line.patient_id)}
    day = next(iter(openings.values())).day
    asked = question_queries.askable(by_patient, day=day) if by_link else {}
    if by_link:  # a line that opens after the delivery that is asked about waits for a question of its own
        kinds = {patient: {line.kind for line in found} for patient, found in asked.items()}
        by_patient = {
            patient: now_due
            for patient, found in by_patient.items()
            if (now_due := [line for line in found if line.kind in kinds.get(patient, ())])
        }
    wanted = [
        _message(patient, openings[group[0].zone], now, QUESTION if by_link else PURPOSE)
        for patient, group in by_patient.items()
    ]
    added = _add(wanted)
    _add_reasons(
        MessageReason(
            message=message,
            patient_id=patient,
            kind=line.kind,
            step=line.step,
            supply_ends_on=line.supply_ends_on,
        )
        for patient, message in added.items()
        for line in by_patient[patient]
    )
    if by_link:
        _carry(added, asked, now=now)
    return len(added)


def _repeat(day: date, openings: Mapping[str, Window], *, now: datetime, limit: int) -> int:
    """Ask once more what nobody answered."""
    sent_by = day - SECOND_AFTER
    waiting = question_queries.to_repeat(day=day, zones=openings.keys(), sent_by=sent_by, limit=limit)
    again = {
        row.patient_id: _message(row.patient_id, openings[row.zone], now, QUESTION)
        for row in waiting
        if next_step(row.asked_at.date(), messages=row.sent, last_on=row.last_on, day=day) is Next.AGAIN
    }
    lines = question_queries.askable(again, day=day)
    with transaction.atomic():
        return len(_write({patient: again[patient] for patient in lines}, lines, now=now))


def _write(
    wanted: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime
) -> dict[int, Message]:
    """Messages that ask once more about lines, by patient, with their question."""
    added = _add(list(wanted.values()))
    _add_reasons(
        MessageReason(
            message=message,
            patient_id=patient,
            kind=line.kind,
            step=ASK_AGAIN.name,
            supply_ends_on=line.supply_ends_on,
        )
        for patient, message in added.items()
        for line in lines[patient]
    )
    _carry(added, lines, now=now)
    return added


def _add(wanted: Collection[Message]) -> dict[int, Message]:
    """Write messages, at most one a patient and day; return those that are new, by patient."""
    Message.objects.bulk_create(wanted, ignore_conflicts=True)
    ours = Message.objects.filter(public_id__in=[message.public_id for message in wanted])
    return {message.patient_id: message for message in ours}


def _add_reasons(reasons: Iterable[MessageReason]) -> None:
    MessageReason.objects.bulk_create(reasons, ignore_conflicts=True)


def _carry(messages: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime) -> None:
    """Give each message its patient's open question, or a new one; these lines are now among its parts."""
    RefillQuestion.objects.bulk_create(
        (
            RefillQuestion(patient_id=patient, asked_at=now, expires_at=now + EXPIRES_AFTER)
            for patient in messages
        ),
        ignore_conflicts=True,  # the patient has an open one
    )
    rows = RefillQuestion.objects.filter(patient__in=messages, state=QuestionState.OPEN)
    questions = dict(rows.values_list("patient", "pk"))
    QuestionPart.objects.bulk_create(
        (
            QuestionPart(
                question_id=questions[patient],
                kind=line.kind,
                part_code=line.part_code,
                supply_ends_on=line.supply_ends_on,
            )
            for patient in messages
            for line in lines[patient]
        ),
        update_conflicts=True,
        unique_fields=["question", "kind"],
        update_fields=["part_code", "supply_ends_on"],
    )
    for patient, message in messages.items():
        message.question_id = questions[patient]
    Message.objects.bulk_update(messages.values(), ["question"])


def _message(patient_id: int, window: Window, now: datetime, purpose: str) -> Message:
    return Message(
        patient_id=patient_id,
        channel=Channel.MAIL,
        purpose=purpose,
        day=window.day,
        created_at=now,
        not_before=window.opens_at,
        expires_at=window.closes_at,
    )
