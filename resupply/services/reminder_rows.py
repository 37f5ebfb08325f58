"""The rows of a reminder: the message, why it is written, and the question it carries.

Each is unique in the database: a message a patient and day, a reason a refill and step, an occasion a key, an
open question a patient. What another sweep wrote meanwhile is left as it is.
"""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime

from resupply.models import (
    Message,
    MessageOccasion,
    MessageReason,
    PlanLine,
    QuestionPart,
    QuestionState,
    RefillQuestion,
)
from resupply.queries.occasions import Occasion
from resupply.queries.reminders import DueLine
from resupply.rules.questions import EXPIRES_AFTER
from resupply.rules.reminders import ASK_AGAIN, Window


def new_message(patient_id: int, window: Window, now: datetime, purpose: str, channel: str) -> Message:
    """A message that may go out within a window, not saved."""
    return Message(
        patient_id=patient_id,
        channel=channel,
        purpose=purpose,
        day=window.day,
        created_at=now,
        not_before=window.opens_at,
        expires_at=window.closes_at,
    )


def add_messages(wanted: Collection[Message]) -> dict[int, Message]:
    """Write messages, at most one a patient and day; return those that are new, by patient."""
    Message.objects.bulk_create(wanted, ignore_conflicts=True)
    ours = Message.objects.filter(public_id__in=[message.public_id for message in wanted])
    return {message.patient_id: message for message in ours}


def add_reasons(about: Iterable[tuple[Message, DueLine | PlanLine, str]]) -> None:
    """Write why messages go out: each with a line it is about and the step it says of it."""
    MessageReason.objects.bulk_create(
        (
            MessageReason(
                message=message,
                patient_id=line.patient_id,
                kind=line.kind,
                step=step,
                supply_ends_on=line.supply_ends_on,
            )
            for message, line, step in about
        ),
        ignore_conflicts=True,
    )


def add_occasions(added: Mapping[int, Message], told: Mapping[int, list[Occasion]]) -> None:
    """Write which occasions the messages tell of; both by patient."""
    MessageOccasion.objects.bulk_create(
        (
            MessageOccasion(
                message=message, patient_id=patient, purpose=one.purpose.value, key=one.key, on=one.on
            )
            for patient, message in added.items()
            for one in told.get(patient, ())
        ),
        ignore_conflicts=True,
    )


def carry(messages: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime) -> None:
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


def ask_once_more(
    wanted: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime
) -> dict[int, Message]:
    """Write messages that ask once more about lines, by patient, with their question; in a transaction."""
    # An earlier question about the same refill may have been asked once more too: this one is another.
    MessageReason.objects.filter(patient__in=wanted, step=ASK_AGAIN.name, stands=True).update(stands=False)
    added = add_messages(list(wanted.values()))
    add_reasons((added[patient], line, ASK_AGAIN.name) for patient in added for line in lines[patient])
    carry(added, lines, now=now)
    return added
