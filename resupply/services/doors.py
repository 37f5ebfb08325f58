"""Links to patients' own pages: given out, renewed, revoked; and the devices that may open them.

A link is a secret address (RFC 4086 asks for 128 bits where guessing must not pay; this one has 256) that
ends by itself. It alone shows nothing: each device gives the date of birth once and keeps a key of its own.
Wrong dates are counted by link, whatever device they come from; too many lock it for a while.
"""

import secrets
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Door, Message, Patient, PatientLink
from resupply.queries.feeds import token_hash
from resupply.services import plans
from resupply.services.errors import Refused

LASTS = timedelta(days=365)
"""A link on paper is good for a year (ours)."""
MOST_TRIES = 5
LOCKED_FOR = timedelta(hours=1)
OPENED_EVERY = timedelta(hours=1)
"""`last_opened_at` is no finer: a write costs more than the page."""


@dataclass(frozen=True, slots=True)
class IssuedLink:
    """A link and its token, which nothing stores: shown now or never."""

    link: PatientLink
    token: str


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a date of birth: the key of the device that may now open the page; or none, and until
    when the link is locked, where it is.
    """

    key: str = ""
    locked_until: datetime | None = None


def issue(patient: Patient, *, by: AbstractBaseUser | None, now: datetime) -> IssuedLink:
    """Give a patient a link. Raises Refused `has_link`: one at a time, renew that one."""
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if PatientLink.objects.filter(patient=patient, revoked_at=None).exists():
            raise Refused("has_link", "This patient has a link already. Renew it for a new address.")
        link = PatientLink.objects.create(
            patient=patient,
            token_hash=token_hash(token),
            created_at=now,
            created_by_id=by.pk if by is not None else None,
            expires_at=now + LASTS,
        )
    return IssuedLink(link, token)


def welcome_token(message_id: int, *, now: datetime) -> str:
    """The token of a new link for a patient's first message; empty where the patient has one already.

    A copy of that message sent after a fault carries a new link: nobody had opened the one before.
    """
    message = Message.objects.select_related("patient").get(pk=message_id)
    with transaction.atomic():
        plans.lock_patients([message.patient_id])
        live = PatientLink.objects.filter(patient=message.patient_id, revoked_at=None).first()
        if live is not None:
            ours = live.created_by_id is None and live.created_at >= message.created_at
            if not ours or live.last_opened_at is not None:
                return ""
            revoke(live, by=None, now=now)
        return issue(message.patient, by=None, now=now).token


def renew(link: PatientLink, *, by: AbstractBaseUser | None, now: datetime) -> IssuedLink:
    """End a link with all its devices and give out another. Raises Refused `already_revoked`."""
    with transaction.atomic():
        plans.lock_patients([link.patient_id])
        revoke(link, by=by, now=now)
        return issue(link.patient, by=by, now=now)


def revoke(link: PatientLink, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """End a link for good. Raises Refused `already_revoked`."""
    with transaction.atomic():
        live = PatientLink.objects.select_for_update().filter(pk=link.pk, revoked_at=None)
        if not live.exists():
            raise Refused("already_revoked", "This link has been revoked already.")
        PatientLink.objects.filter(pk=link.pk).update(
            revoked_at=now, revoked_by_id=by.pk if by is not None else None
        )


def try_birth_date(link_id: int, birth_date: date | None, *, now: datetime) -> Tried:
    """Open a link on a device by the date of birth; None counts as a wrong one.

    The link's row is locked: tries sent at once are counted one by one.
    """
    with transaction.atomic():
        link = PatientLink.objects.select_for_update(of=("self",)).select_related("patient").get(pk=link_id)
        if link.locked_until is not None and now < link.locked_until:
            return Tried(locked_until=link.locked_until)
        link.locked_until = None  # a lock that ran out says nothing about this try
        if link.patient.birth_date == birth_date:
            key = secrets.token_urlsafe(32)
            Door.objects.create(link=link, key_hash=token_hash(key), opened_at=now)
            link.wrong_tries = 0
        else:
            key = ""
            link.wrong_tries += 1
            if link.wrong_tries >= MOST_TRIES:
                link.wrong_tries, link.locked_until = 0, now + LOCKED_FOR
        link.save(update_fields=["wrong_tries", "locked_until"])
    return Tried(key, link.locked_until)


def note_opening(link: PatientLink, *, now: datetime) -> None:
    """Keep when the page was last opened, to the hour."""
    if link.last_opened_at is None or now - link.last_opened_at >= OPENED_EVERY:
        PatientLink.objects.filter(pk=link.pk).update(last_opened_at=now)
