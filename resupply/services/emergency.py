"""Emergency access: begun with a reason, ended, reviewed."""

from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import EmergencyAccess, Patient
from resupply.queries.emergency import lasting
from resupply.services.errors import Refused
from resupply.services.records import check_reason

LASTS = timedelta(minutes=60)
"""Ours: long enough for one visit or call, too short to become a habit."""
LEAST_REASON = 10
"""So many characters at least: a dot is no reason."""


def begin(patient: Patient, *, by: AbstractBaseUser, reason: str, now: datetime) -> EmergencyAccess:
    """Open a patient to `by` for an hour; one that lasts already is given back as it is.

    Raises Refused `reason_missing`, `reason_long`.
    """
    if len(reason.strip()) < LEAST_REASON:
        raise Refused("reason_missing", "Say in a sentence what makes this an emergency.", "reason")
    reason = check_reason(reason)
    with transaction.atomic():
        Patient.objects.select_for_update(no_key=True).filter(pk=patient.pk).values("pk").first()
        opened = lasting(now=now).filter(patient=patient, user_id=by.pk).first()
        if opened is not None:
            return opened
        return EmergencyAccess.objects.create(
            patient=patient, user_id=by.pk, reason=reason, began_at=now, ends_at=now + LASTS
        )


def end(access: EmergencyAccess, *, now: datetime) -> None:
    """End an access before its hour is over; one that is over stays as it was."""
    lasting(now=now).filter(pk=access.pk).update(ended_at=now)


def review(access: EmergencyAccess, *, by: AbstractBaseUser, note: str, now: datetime) -> None:
    """Mark an access as reviewed, with what was found.

    Raises Refused: `note_missing`, `own` (nobody reviews the own access), `not_over`, `reviewed`.
    """
    note = note.strip()
    if not note:
        raise Refused("note_missing", "Say what you found.", "note")
    if access.user_id == by.pk:
        raise Refused("own", "Another manager reviews this: nobody reviews an access of their own.")
    with transaction.atomic():
        row = EmergencyAccess.objects.select_for_update(of=("self",)).get(pk=access.pk)
        if row.reviewed_at is not None:
            raise Refused("reviewed", "This has been reviewed already.")
        if row.ended_at is None and now < row.ends_at:
            raise Refused("not_over", "This access still lasts. Review it when it is over.")
        row.reviewed_at, row.reviewed_by_id, row.review_note = now, by.pk, note
        row.save(update_fields=["reviewed_at", "reviewed_by", "review_note"])
