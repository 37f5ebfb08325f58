"""The refill question: the answer that comes back by its link, and the closing of what is no longer asked.

An answer is recorded by `services.answers`, like any other: the link only says whose it is. Opening a link
records nothing. Every write here holds the patient's lock, so that an answer, a second one, and a member of
staff who withdraws the question have an order.
"""

import secrets
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    AnswerChannel,
    Message,
    MessageState,
    QuestionLink,
    QuestionState,
    RefillAnswer,
    RefillQuestion,
    Wish,
)
from resupply.queries import questions as question_queries
from resupply.queries.feeds import token_hash
from resupply.services import plans
from resupply.services.answer_items import NewItem, says
from resupply.services.answers import record_answer, void_answer
from resupply.services.errors import Refused
from resupply.services.records import check_reason, local_day, sent_before

TOKEN_BYTES = 16
"""128 bits, which nobody guesses (RFC 4086)."""
WITHDRAWN = "The clinic took the question back."
NOT_DUE = "Nothing it asked about is to be asked any more."
NO_REPLY = "No reply."


def make_links(questions: Mapping[int, int], *, now: datetime) -> dict[int, str]:
    """Tokens of links for one copy of messages each, by message key; `questions`: what each message asks.

    Their hashes are on disk before a message goes out. One statement.
    """
    tokens = {message: secrets.token_urlsafe(TOKEN_BYTES) for message in questions}
    QuestionLink.objects.bulk_create(
        QuestionLink(
            question_id=questions[message], message_id=message, token_hash=token_hash(token), made_at=now
        )
        for message, token in tokens.items()
    )
    return tokens


def answer(
    question: RefillQuestion,
    *,
    wish: str,
    items: Sequence[NewItem],
    still_using: bool | None,
    now: datetime,
    handover: str,
    note: str = "",
    answered_by: str = "",
    relation: str = "",
    form_key: UUID | None = None,
) -> RefillAnswer:
    """Record what came back by a question's link; a later answer by it replaces the earlier one.

    An answer after the question expired is kept and marked late: a person reads it first. Raises Refused:
    `withdrawn`, `acted` (the desk has acted on the answer, or something else was said since), `nothing_left`
    (what was asked about has been given), `not_asked` for a part that is not in the question, and what
    `record_answer` raises.

    Long for what it hands on: one list of steps.
    """
    with transaction.atomic():
        plans.lock_patients([question.patient_id])
        question.refresh_from_db()
        items = () if wish == Wish.STOP else items
        if sent := sent_before(RefillAnswer, form_key, question.patient):
            if sent.pk == question.answer_id and says(sent, wish, items, note):
                return sent
            form_key = None  # gone back, and sent once more: a later answer, which replaces the earlier
        today = local_day(now, question.patient.time_zone)
        _check_open(question, items, wish, today=today, now=now)
        is_late = now >= question.expires_at
        recorded = record_answer(
            patient=question.patient,
            wish=wish,
            items=items,
            still_using=still_using,
            channel=AnswerChannel.PAGE,
            contacted_on=today,
            answered_by=answered_by,
            relation=relation,
            handover=handover,
            note=note,
            is_late=is_late,
            form_key=form_key,
            by=None,
            now=now,
        )
        _close(question, QuestionState.ANSWERED, now=now, answer=recorded)
        _drop_waiting(question, now=now)
    return recorded


def take_back_stop(question: RefillQuestion, *, now: datetime) -> None:
    """Undo a "stop asking" that came by this link: the record is voided, and the refusals that came with it.

    Raises Refused: `withdrawn`, `not_stopped`, `acted`.
    """
    with transaction.atomic():
        plans.lock_patients([question.patient_id])
        question.refresh_from_db()
        _check_not_withdrawn(question)
        said = question.answer
        if said is None or said.wish != Wish.STOP or said.is_voided:
            raise Refused("not_stopped", "There is no “stop asking” to take back.")
        if not question_queries.may_change(said):
            raise Refused("acted", "Somebody has acted on this answer. Please call.")
        void_answer(said, reason="Taken back by the patient on the page it was given on.", by=None, now=now)
        before = question_queries.said_since(question)  # what was said by it, or otherwise, counts again
        still_open = before is None and now < question.expires_at and not _other_open(question)
        question.state = QuestionState.OPEN if still_open else QuestionState.EXPIRED
        question.state = QuestionState.ANSWERED if before else question.state
        question.closed_at, question.answer = None if still_open else now, before
        question.save(update_fields=["state", "closed_at", "answer"])


def withdraw(question: RefillQuestion, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take a question back with a reason: its links end, and no more of it is sent.

    Its reminder step counts as written about; the next step asks again. Raises Refused: `reason_missing`,
    `reason_long`, `not_open`.
    """
    reason = check_reason(reason)
    with transaction.atomic():
        plans.lock_patients([question.patient_id])
        question.refresh_from_db()
        if question.state not in {QuestionState.OPEN, QuestionState.EXPIRED}:
            raise Refused("not_open", "This question has been answered or withdrawn already.")
        _close(question, QuestionState.WITHDRAWN, now=now, reason=reason, by=by)
        _drop_waiting(question, now=now)


def tidy(*, now: datetime) -> int:
    """Close open questions whose time is over, and those with nothing left to answer. Returns how many.

    Answered by another way, a question is answered; with its parts given, or no longer due, it is withdrawn.
    """
    closed = RefillQuestion.objects.filter(state=QuestionState.OPEN, expires_at__lte=now).update(
        state=QuestionState.EXPIRED, closed_at=now, close_reason=NO_REPLY
    )
    for pk, patient_id in question_queries.emptied(now=now):
        with transaction.atomic():
            plans.lock_patients([patient_id])
            question = RefillQuestion.objects.get(pk=pk)
            if question.state != QuestionState.OPEN:
                continue
            said = question_queries.said_since(question)
            state = QuestionState.ANSWERED if said else QuestionState.WITHDRAWN
            _close(question, state, now=now, answer=said, reason="" if said else NOT_DUE)
            closed += 1
    return closed


def _check_open(
    question: RefillQuestion, items: Sequence[NewItem], wish: str, *, today: date, now: datetime
) -> None:
    """Refuse an answer that this question cannot take any more."""
    _check_not_withdrawn(question)
    found = question_queries.asked(question, day=today, now=now)
    if found.answer is not None and not found.can_change:
        raise Refused("acted", "Somebody has acted on this answer. Please call.")
    if wish == Wish.STOP:
        return
    kinds = {part.kind for part in found.parts}
    if not kinds:
        raise Refused("nothing_left", "What this question asked about has been taken care of.")
    if any(item.kind not in kinds for item in items):
        raise Refused("not_asked", "One of these parts has been taken care of meanwhile.", "wish")


def _check_not_withdrawn(question: RefillQuestion) -> None:
    if question.state == QuestionState.WITHDRAWN:
        raise Refused("withdrawn", "This question has been taken back.")


def _close(
    question: RefillQuestion,
    state: QuestionState,
    *,
    now: datetime,
    answer: RefillAnswer | None = None,
    reason: str = "",
    by: AbstractBaseUser | None = None,
) -> None:
    """Write how a question ended; the caller holds the patient's lock."""
    question.state, question.closed_at, question.answer, question.close_reason = state, now, answer, reason
    question.closed_by_id = by.pk if by is not None else None
    question.save(update_fields=["state", "closed_at", "answer", "close_reason", "closed_by"])


def _drop_waiting(question: RefillQuestion, *, now: datetime) -> None:
    """Cancel what of a question has not gone out and nobody holds; what a worker holds, it looks at again."""
    Message.objects.filter(question=question, state=MessageState.WAITING, leased_until=None).update(
        state=MessageState.CANCELLED, finished_at=now, last_error="The question was closed."
    )


def _other_open(question: RefillQuestion) -> bool:
    others = RefillQuestion.objects.filter(patient=question.patient_id, state=QuestionState.OPEN)
    return others.exclude(pk=question.pk).exists()
