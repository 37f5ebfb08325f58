"""What staff do about a message that did not arrive: see to it, or have it sent once more."""

from collections.abc import Collection
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Channel, Message, MessageOccasion, MessageReason, MessageState, PatientStatus
from resupply.queries.consents import reaches
from resupply.queries.failures import gone_wrong
from resupply.queries.message_terms import counting, schedule
from resupply.rules.consents import may_write
from resupply.rules.purposes import Purpose, of_step
from resupply.rules.reminders import next_window
from resupply.rules.replies import REPLIES
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_reason, local_day
from resupply.services.reminders import check_week

SENT_AGAIN = "Sent once more."


def handle(message: Message, *, note: str, by: AbstractBaseUser | None, now: datetime) -> Message:
    """A person saw to a message that did not arrive.

    Raises Refused: `reason_missing`, `reason_long`, `already_handled` (or it arrived after all).
    """
    note = check_reason(note)
    today = local_day(now, message.patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([message.patient_id])
        updated = (
            gone_wrong(today=today)
            .filter(pk=message.pk)
            .update(handled_at=now, handled_by_id=by.pk if by is not None else None, handled_note=note)
        )
        if not updated:
            raise Refused("already_handled", "Somebody has handled this message already.")
    message.refresh_from_db()
    return message


def resend(
    message: Message,
    *,
    by: AbstractBaseUser | None,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> Message:
    """Queue a message that did not arrive once more, for the patient's next sending hours.

    It is a message of its own (`resend_of`) with the reasons of the first; what no longer holds by then is
    left out, as ever. Raises Refused: `not_failed`, `opted_out`, `no_address`, `no_channel`, `written_today`,
    `week_is_full`.
    """
    patient, terms = message.patient, schedule()
    window = next_window(now, patient.time_zone, hours_on=terms.hours_on)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        message.refresh_from_db()
        _check(message, now=now, channels=channels)
        others = counting().filter(patient=patient, day=window.day).exclude(pk=message.pk)
        if others.exists():
            raise Refused("written_today", "This patient has a message of that day already.")
        check_week(patient, window.day, terms.on(window.day))
        again = Message.objects.create(
            patient=patient, channel=message.channel, purpose=message.purpose, question=message.question,
            day=window.day, created_at=now, not_before=window.opens_at, expires_at=window.closes_at,
            resend_of=message,
        )  # fmt: skip
        _move_reasons(message, again)
        Message.objects.filter(pk=message.pk).update(
            handled_at=now, handled_by_id=by.pk if by is not None else None, handled_note=SENT_AGAIN
        )
    return again


def _check(message: Message, *, now: datetime, channels: Collection[str]) -> None:
    """Refuse what must not be sent again; the caller holds the patient's lock."""
    today = local_day(now, message.patient.time_zone)
    is_open = gone_wrong(today=today).filter(pk=message.pk).exists()
    if not is_open or message.recall_id is not None or message.purpose in REPLIES:
        raise Refused("not_failed", "This message needs no sending again, or was handled already.")
    if message.channel not in channels:
        raise Refused("no_channel", "This clinic sends no messages on that channel now.")
    how = reaches([message.patient_id], channels)[message.patient_id]
    purposes = _purposes(message)
    allowed = any(may_write(how.said, message.channel, purpose) for purpose in purposes)
    if not allowed or message.patient.status != PatientStatus.ON_THERAPY:
        raise Refused("opted_out", "There is no standing yes to such a message on record. Call the patient.")
    if message.channel not in how.reachable:
        raise Refused(
            "no_address", "This address failed. Correct it, or confirm that it is right, and send again."
        )


def _purposes(message: Message) -> set[Purpose]:
    steps = MessageReason.objects.filter(message=message).values_list("step", flat=True)
    others = MessageOccasion.objects.filter(message=message).values_list("purpose", flat=True)
    return {of_step(step) for step in steps} | {Purpose(one) for one in others}


def _move_reasons(message: Message, again: Message) -> None:
    """The second message carries the reasons of the first, unless a later one carries them already."""
    reasons: list[MessageReason] = list(MessageReason.objects.filter(message=message))
    occasions = list(MessageOccasion.objects.filter(message=message))
    MessageReason.objects.filter(message=message).update(stands=False)
    MessageOccasion.objects.filter(message=message).update(stands=False)
    rows: list[MessageReason | MessageOccasion] = [*reasons, *occasions]
    for row in rows:
        row.pk, row.message, row.stands = None, again, True
        row._state.adding = True
    MessageReason.objects.bulk_create(reasons, ignore_conflicts=True)
    MessageOccasion.objects.bulk_create(occasions, ignore_conflicts=True)
    if message.state == MessageState.CANCELLED and not (reasons or occasions):
        raise Refused("not_failed", "There is nothing left to say in this message.")
