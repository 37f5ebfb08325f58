"""Recall notices: opened, their messages queued, contacts recorded, closed when everybody is reached.

Messages go through the outbox like all others and name no part: by e-mail, or by text where only that may be
used. A safety notice is exempt from one message a day, not from the patient's consent to the channel and not
from sending hours: who did not agree is called.
"""

from collections.abc import Collection
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    AnswerChannel,
    Channel,
    Message,
    Patient,
    Recall,
    RecallContact,
    RecallNotice,
    RecallOutcome,
)
from resupply.queries import recall_reach as reach
from resupply.queries.message_terms import schedule
from resupply.rules.message_terms import Schedule
from resupply.rules.recall_notices import PURPOSE
from resupply.rules.reminders import next_window
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_day, check_reason, local_day, stamp, take_back

BATCH = 1000
"""Messages written in one statement."""


def open_notice(
    recall: Recall,
    *,
    by: AbstractBaseUser | None,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> RecallNotice:
    """Open the notice of a recall and queue a message to everyone who may be written to.

    Raises Refused: `recall_void`, `open_already`, `nobody`.
    """
    with transaction.atomic():
        recall = Recall.objects.select_for_update().get(pk=recall.pk)
        if recall.is_voided:
            raise Refused("recall_void", "This recall was voided: there is nobody to reach.")
        if reach.standing_notice(recall) is not None:
            raise Refused("open_already", "A notice for this recall is on record already.")
        if not reach.people(recall).exists():
            raise Refused("nobody", "Nobody on record was given what this recall names.")
        notice = RecallNotice.objects.create(recall=recall, **stamp(by, now))
        queue_messages(notice, now=now, channels=channels)
    return notice


def queue_messages(
    notice: RecallNotice, *, now: datetime, channels: Collection[str] = (Channel.MAIL,)
) -> int:
    """Queue a message to everyone who may be written to and was not yet; returns how many were added.

    Run twice it adds nothing: one message about a recall is on its way to, or was sent to, a patient.
    """
    if notice.closed_at is not None or notice.is_voided:
        return 0
    rows = reach.to_write_to(notice.recall, channels=channels).order_by("pk")
    terms = schedule()
    wanted = [
        _message(notice, patient, Channel.MAIL if patient.by_mail else Channel.TEXT, terms, now=now)
        for patient in rows.iterator(chunk_size=BATCH)
    ]
    Message.objects.bulk_create(wanted, batch_size=BATCH, ignore_conflicts=True)
    return len(wanted)


def queue_open(*, now: datetime, channels: Collection[str] = (Channel.MAIL,)) -> int:
    """Queue what open notices still have to write: who agreed since, or whose message ran late."""
    notices = RecallNotice.objects.filter(closed_at=None, voided_at=None).select_related("recall")
    return sum(queue_messages(notice, now=now, channels=channels) for notice in notices)


def record_contact(
    recall: Recall,
    patient: Patient,
    *,
    outcome: str,
    on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    channel: str = "",
    note: str = "",
) -> RecallContact:
    """Record what came of a contact about a recall, or write a patient off with the reason in `note`.

    Raises Refused: `not_open`, `not_concerned`, `outcome`, `channel`, `future`, `before_birth`,
    `reason_missing`, `reason_long`, `too_long`.
    """
    if outcome not in RecallOutcome.values:
        raise Refused("outcome", "Choose what came of it.", "outcome")
    is_write_off = outcome == RecallOutcome.WRITTEN_OFF
    if is_write_off:
        note, channel = check_reason(note), ""
    elif channel not in AnswerChannel.values:
        raise Refused("channel", "Choose how the patient was contacted.", "channel")
    if len(note.strip()) > 500:
        raise Refused("too_long", "Keep the note to 500 characters.", "note")
    check_day(patient, on, today=local_day(now, patient.time_zone))
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        _check_open(recall)
        if not reach.people(recall).filter(pk=patient.pk).exists():
            raise Refused("not_concerned", "This patient was not given what the recall names.")
        return RecallContact.objects.create(
            recall=recall,
            patient=patient,
            outcome=outcome,
            channel=channel,
            on=on,
            note=note.strip(),
            **stamp(by, now),
        )


def void_contact(
    contact: RecallContact, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> RecallContact:
    """Take a contact back with a reason.

    Raises Refused `not_open`, `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([contact.patient_id])
        _check_open(contact.recall)
        take_back(contact, reason=reason, by=by, now=now)
    return contact


def close_notice(
    notice: RecallNotice, *, note: str, by: AbstractBaseUser | None, now: datetime
) -> RecallNotice:
    """Close a notice. Raises Refused `not_open`, `not_reached` (with how many are left), `too_long`."""
    if len(note.strip()) > 300:
        raise Refused("too_long", "Keep the note to 300 characters.", "note")
    with transaction.atomic():
        notice = RecallNotice.objects.select_for_update().select_related("recall").get(pk=notice.pk)
        _check_is_open(notice)
        progress = reach.progress(reach.people(notice.recall))
        left = progress.people - progress.settled
        if left:
            raise Refused(
                "not_reached",
                f"{left} of {progress.people} people are not reached yet. Reach them, or write each off with "
                "the reason.",
            )
        notice.closed_at, notice.closed_by_id = now, by.pk if by is not None else None
        notice.closed_note = note.strip()
        notice.save(update_fields=["closed_at", "closed_by", "closed_note"])
    return notice


def open_again(
    notice: RecallNotice,
    *,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> RecallNotice:
    """Open another notice in the place of one that was closed, such as when somebody was found who was given
    the part. The closed one stays with the reason; what came of each contact still counts.

    Raises Refused: `recall_void`, `open_already`, `reason_missing`, `reason_long`.
    """
    with transaction.atomic():
        recall = Recall.objects.select_for_update().get(pk=notice.recall_id)
        if recall.is_voided:
            raise Refused("recall_void", "This recall was voided: there is nobody to reach.")
        notice = RecallNotice.objects.select_for_update().get(pk=notice.pk)
        if notice.closed_at is None or notice.is_voided:
            raise Refused("open_already", "This notice is open.")
        take_back(notice, reason=reason, by=by, now=now)
        again = RecallNotice.objects.create(recall=recall, **stamp(by, now))
        queue_messages(again, now=now, channels=channels)
    return again


def _message(
    notice: RecallNotice, patient: Patient, channel: Channel, terms: Schedule, *, now: datetime
) -> Message:
    window = next_window(now, patient.time_zone, hours_on=terms.hours_on)
    return Message(
        patient=patient,
        channel=channel,
        purpose=PURPOSE,
        recall_id=notice.recall_id,
        day=window.day,
        created_at=now,
        not_before=window.opens_at,
        expires_at=window.closes_at,
    )


def _check_open(recall: Recall) -> None:
    """Refuse what belongs to an open notice where there is none; the notice cannot be closed meanwhile."""
    notice = RecallNotice.objects.select_for_update().filter(recall=recall, voided_at=None).first()
    if notice is None:
        raise Refused("not_open", "No notice is open for this recall. A manager opens it first.")
    _check_is_open(notice)


def _check_is_open(notice: RecallNotice) -> None:
    if notice.is_voided or notice.closed_at is not None:
        raise Refused("not_open", "This notice is closed. Open it again first.")
