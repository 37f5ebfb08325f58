"""Refill questions of the past year: most of the parts that were shipped had been asked about by e-mail, some
questions came to nothing, and now and then an e-mail could not be delivered.
"""

from datetime import date, datetime, timedelta
from random import Random

from resupply.models import (
    Channel,
    DispenseLine,
    Message,
    MessageState,
    QuestionPart,
    QuestionState,
    RefillAnswer,
    RefillQuestion,
    SuppliedBy,
)
from resupply.rules.purposes import Purpose
from resupply.rules.questions import EXPIRES_AFTER
from resupply.services.questions import NO_REPLY

_YEAR = timedelta(days=400)
_AGAIN = timedelta(days=7)


def write_asked(*, today: date, now: datetime) -> None:
    """Write them beside the answers that are on record, and before dispenses at the counter."""
    taken = set(Message.objects.values_list("patient", "day"))
    questions: list[RefillQuestion] = []
    messages: list[Message] = []
    parts: list[QuestionPart] = []
    for answer, given, line in _to_ask_about(today):
        patient = line.dispense.patient
        dice = Random(f"asked {patient.reference} {given}")  # noqa: S311 - no secrets
        ahead = timedelta(days=dice.randrange(1, 5)) if answer else EXPIRES_AFTER + timedelta(days=9)
        asked_at = (answer.answered_at if answer else _noon(given, now)) - ahead
        failed = answer is None and dice.random() < 0.3
        days = {(patient.pk, asked_at.date())} | (
            {(patient.pk, (asked_at + _AGAIN).date())} if failed else set()
        )
        if dice.random() < 0.35 or days & taken or asked_at.date() > today - EXPIRES_AFTER:
            continue
        taken |= days
        question = RefillQuestion(
            patient=patient,
            state=QuestionState.ANSWERED if answer else QuestionState.EXPIRED,
            asked_at=asked_at,
            expires_at=asked_at + EXPIRES_AFTER,
            closed_at=answer.answered_at if answer else asked_at + EXPIRES_AFTER,
            close_reason="" if answer else NO_REPLY,
            answer=answer,
        )
        questions.append(question)
        ends = asked_at.date() + timedelta(days=14)
        parts.append(
            QuestionPart(question=question, kind=line.kind, part_code=line.part_code, supply_ends_on=ends)
        )
        messages += _messages(question, failed=failed)
    RefillQuestion.objects.bulk_create(questions)
    QuestionPart.objects.bulk_create(parts)
    Message.objects.bulk_create(messages)


def _to_ask_about(today: date) -> list[tuple[RefillAnswer | None, date, DispenseLine]]:
    """One line of each dispense of ours to somebody with an address, with the answer it was given from."""
    rows = DispenseLine.objects.filter(
        dispense__supplied_by=SuppliedBy.US,
        dispense__voided_at=None,
        voided_at=None,
        dispense__dispensed_on__gt=today - _YEAR,
    ).exclude(dispense__patient__email="")
    rows = rows.select_related("dispense__patient", "answer_item__answer").order_by("dispense", "position")
    first: dict[int, DispenseLine] = {}
    for line in rows:
        first.setdefault(line.dispense_id, line)
    return [
        (line.answer_item.answer if line.answer_item else None, line.dispense.dispensed_on, line)
        for line in first.values()
    ]


def _messages(question: RefillQuestion, *, failed: bool) -> list[Message]:
    """The first message of a question; where it failed, another a week later went out."""
    sent = [(question.asked_at, MessageState.FAILED if failed else MessageState.SENT)]
    if failed:
        sent.append((question.asked_at + _AGAIN, MessageState.SENT))
    return [
        Message(
            patient=question.patient,
            channel=Channel.MAIL,
            purpose=Purpose.QUESTION,
            question=question,
            day=at.date(),
            state=state,
            created_at=at,
            not_before=at,
            expires_at=at + timedelta(hours=9),
            finished_at=at,
            address=question.patient.email,
            last_error="mailbox full" if state == MessageState.FAILED else "",
        )
        for at, state in sent
    ]


def _noon(day: date, now: datetime) -> datetime:
    return datetime(day.year, day.month, day.day, 18, tzinfo=now.tzinfo)
