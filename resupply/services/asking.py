"""Asking a patient about a refill right now, at the wish of a member of staff, with or without an open
question.

What may be sent to whom, and how often, is for `services.reminders`: consent, hours and one message a day
hold here as for the sweep.
"""

from collections.abc import Collection
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    Channel,
    Message,
    MessageReason,
    MessageState,
    Patient,
    QuestionState,
    RefillQuestion,
)
from resupply.rules.questions import EXPIRES_AFTER
from resupply.services import plans, questions, reminders

TAKEN_BACK = "Taken back by the person who asked for it."


def ask_now(
    patient: Patient,
    *,
    by: AbstractBaseUser | None,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> Message:
    """Queue a message with the patient's open question, or with a new one, on one of the channels in use.

    Raises Refused as `reminders.ask_again`; nothing is written then.
    """
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        asked = RefillQuestion.objects.filter(patient=patient, state=QuestionState.OPEN).first()
        if asked is None:
            asked = RefillQuestion.objects.create(
                patient=patient, asked_at=now, expires_at=now + EXPIRES_AFTER
            )
        return reminders.ask_again(asked, by=by, now=now, channels=channels)


def take_back(message: Message, *, by: AbstractBaseUser | None, now: datetime) -> bool:
    """Cancel a message that has not gone out, and withdraw its question where nothing else carries it.

    False where it has gone out, or a worker holds it.
    """
    with transaction.atomic():
        plans.lock_patients([message.patient_id])
        waiting = Message.objects.filter(pk=message.pk, state=MessageState.WAITING, leased_until=None)
        if not waiting.update(state=MessageState.CANCELLED, finished_at=now, last_error=TAKEN_BACK):
            return False
        MessageReason.objects.filter(message=message).update(stands=False)
        question = message.question
        if question is not None and question.state == QuestionState.OPEN:
            carried = question.messages.exclude(state=MessageState.CANCELLED)
            if not carried.exists():
                questions.withdraw(question, reason=TAKEN_BACK, by=by, now=now)
    return True
