"""Contacts that staff made or tried: a call, a letter, a word at the counter. They change no plan.

A patient who does not want to be called has refused that channel: the refusal is recorded with the contact
and holds until the patient says otherwise.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Channel, Consent, Contact, Outcome, Patient
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import FARTHEST_AHEAD, check_day, local_day, said, stamp, take_back

AGAIN_AFTER = {Outcome.REACHED: 7, Outcome.NO_ANSWER: 1, Outcome.LEFT_WORD: 3}
"""Days until a patient is tried again, where nobody says another day (ours)."""


def log_contact(
    *,
    patient: Patient,
    outcome: str,
    on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    channel: str = Channel.PHONE,
    note: str = "",
    again_on: date | None = None,
) -> Contact:
    """Record how a contact ended; `again_on` None: the usual number of days later.

    Raises Refused: `outcome`, `channel`, `future`, `before_birth`, `again_on`, `too_long`.
    """
    _check_words(outcome, channel, note)
    today = local_day(now, patient.time_zone)
    check_day(patient, on, today=today)
    if again_on is not None and not on < again_on <= today + FARTHEST_AHEAD:
        raise Refused("again_on", f"Enter a day after {said(on)}, within a year.", "again_on")
    if again_on is None and outcome in AGAIN_AFTER:
        again_on = on + timedelta(days=AGAIN_AFTER[Outcome(outcome)])
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        contact = Contact.objects.create(
            patient=patient,
            on=on,
            channel=channel,
            outcome=outcome,
            note=note.strip(),
            again_on=None if outcome == Outcome.NOT_WANTED else again_on,
            **stamp(by, now),
        )
        if outcome == Outcome.NOT_WANTED:
            refuse_contact(patient, [channel], on=on, how="did not want to be contacted", by=by, now=now)
    return contact


def _check_words(outcome: str, channel: str, note: str) -> None:
    """Refuse words that are on no list, and a note that is too long."""
    if outcome not in Outcome.values:
        raise Refused("outcome", "Choose how the call ended.", "outcome")
    if channel not in Channel.values:
        raise Refused("channel", "Choose one of the listed channels.", "channel")
    if len(note.strip()) > 500:
        raise Refused("too_long", "Keep the note to 500 characters.", "note")


def void_contact(contact: Contact, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> Contact:
    """Take a contact back with a reason, and the refusal that came with it.

    Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([contact.patient_id])
        take_back(contact, reason=reason, by=by, now=now)
        if contact.outcome == Outcome.NOT_WANTED:
            take_back_refusals(contact.patient, contact.recorded_at, reason=reason, by=by, now=now)
    return contact


def refuse_contact(
    patient: Patient,
    channels: Iterable[str],
    *,
    on: date,
    how: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> None:
    """Append a no to each channel that is not refused already; the caller holds the patient's lock."""
    newest = Consent.objects.filter(patient=patient, voided_at=None).order_by("channel", "-pk")
    refused = {row.channel for row in newest.distinct("channel") if not row.granted and not row.purpose}
    for channel in channels:
        if channel not in refused:
            Consent.objects.create(
                patient=patient, channel=channel, granted=False, given_on=on, how=how, **stamp(by, now)
            )


def take_back_refusals(
    patient: Patient, recorded_at: datetime, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> None:
    """Void the refusals recorded with something that is taken back; the caller holds the lock."""
    for row in Consent.objects.filter(
        patient=patient, granted=False, recorded_at=recorded_at, voided_at=None
    ):
        take_back(row, reason=reason, by=by, now=now)
