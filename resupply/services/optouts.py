"""Opt-outs: a no to a channel for every purpose or for one, or to all channels, from this moment on.

What waits to be sent is cancelled in the same transaction, also where a worker has claimed it: it can begin
only what still waits under its fence, so nothing leaves after the commit but what was begun before.
"""

import secrets
from collections.abc import Collection, Iterable
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet

from resupply.models import (
    Channel,
    Consent,
    Message,
    MessageOccasion,
    MessageReason,
    MessageState,
    Patient,
    StopLink,
)
from resupply.queries.feeds import token_hash
from resupply.rules.purposes import of_step
from resupply.rules.reminders import STEPS
from resupply.rules.replies import REPLIES
from resupply.services import plans
from resupply.services.records import local_day, stamp

STOPPABLE = (Channel.MAIL, Channel.TEXT, Channel.PHONE)
"""Channels that an opt-out from everything ends; a letter by post is no reminder of this program."""
TOKEN_BYTES = 16
"""128 bits, which nobody guesses (RFC 4086)."""
BY_LINK = "one-click link of a message"
OPTED_OUT = "The patient wants no such messages any more."


def stop(
    patient: Patient, *, channel: str | None, how: str, by: AbstractBaseUser | None, now: datetime
) -> None:
    """End messages on a channel (None: on all) for every purpose, at once; `how` says how it was asked for.

    A second stop changes nothing.
    """
    channels = STOPPABLE if channel is None else (Channel(channel),)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        for one in channels:
            if not _is_stopped(patient, one):
                Consent.objects.create(
                    patient=patient,
                    channel=one,
                    granted=False,
                    given_on=local_day(now, patient.time_zone),
                    how=how[:120],
                    **stamp(by, now),
                )
        drop_waiting(patient, channels, now=now)


def make_links(message_ids: Iterable[int], *, now: datetime) -> dict[int, str]:
    """Tokens of the one-click way out (RFC 8058) for one copy of mails each, by message key; the hashes are
    kept. One statement.
    """
    tokens = {message: secrets.token_urlsafe(TOKEN_BYTES) for message in message_ids}
    StopLink.objects.bulk_create(
        StopLink(message_id=message, token_hash=token_hash(token), made_at=now)
        for message, token in tokens.items()
    )
    return tokens


def stop_by_link(token: str, *, now: datetime) -> Patient | None:
    """End messages on the channel of the message that carried this link; None: no such link.

    A link works as long as the patient is on record: a way out that ends is none.
    """
    link = behind(token)
    if link is None:
        return None
    patient = link.message.patient
    stop(patient, channel=link.message.channel, how=BY_LINK, by=None, now=now)
    StopLink.objects.filter(pk=link.pk, used_at=None).update(used_at=now)
    return patient


def behind(token: str) -> StopLink | None:
    """The link behind a token."""
    rows = StopLink.objects.select_related("message__patient__location")
    return rows.filter(token_hash=token_hash(token)).first()


def drop_waiting(patient: Patient, channels: tuple[str, ...], *, now: datetime) -> int:
    """Cancel what waits for a patient on these channels; the caller holds the patient's lock.

    Also what a worker has claimed: it can begin only what still waits, so nothing is begun after the commit.
    Its reasons are free for a later message. Replies to a text and notices of a recall are no reminders.
    """
    keys = _waiting(patient, channels)
    _free(Q(message__in=keys))
    return _cancel(Message.objects.filter(pk__in=keys), now=now)


def drop_purposes(patient: Patient, channel: str, purposes: Collection[str], *, now: datetime) -> int:
    """Take purposes out of what waits for a patient on a channel, and cancel what says nothing else; returns
    how many were cancelled. The caller holds the patient's lock.

    A worker that has claimed a message which stays has put the old purposes into words already: it loses
    its fence, and the message is looked at again.
    """
    keys = _waiting(patient, (channel,))
    steps = [name for name in STEPS if of_step(name) in purposes]
    about = Q(message__in=keys, step__in=steps), Q(message__in=keys, purpose__in=purposes)
    touched = {
        *MessageReason.objects.filter(about[0], stands=True).values_list("message", flat=True),
        *MessageOccasion.objects.filter(about[1], stands=True).values_list("message", flat=True),
    }
    rows = Message.objects.filter(pk__in=touched)
    others = Q(
        Exists(MessageReason.objects.filter(message=OuterRef("pk"), stands=True).exclude(step__in=steps))
    ) | Exists(
        MessageOccasion.objects.filter(message=OuterRef("pk"), stands=True).exclude(purpose__in=purposes)
    )
    staying = list(rows.filter(others).values_list("pk", flat=True))
    _free(*about)
    Message.objects.filter(pk__in=staying).exclude(leased_until=None).update(
        fence=F("fence") + 1, attempts=F("attempts") - 1, leased_until=None
    )
    return _cancel(rows.exclude(pk__in=staying), now=now)


def _waiting(patient: Patient, channels: Iterable[str]) -> list[int]:
    """Keys of the reminders that wait for a patient on these channels, locked."""
    rows = Message.objects.filter(
        patient=patient, channel__in=channels, state=MessageState.WAITING, recall=None
    ).exclude(purpose__in=REPLIES)
    return list(rows.select_for_update().values_list("pk", flat=True))


def _free(reasons: Q, occasions: Q | None = None) -> None:
    """Let a later message carry these, but for those whose message may have arrived."""
    sure = {"stands": True, "message__is_unsure": False}
    MessageReason.objects.filter(reasons, **sure).update(stands=False)
    MessageOccasion.objects.filter(occasions or reasons, **sure).update(stands=False)


def _cancel(rows: QuerySet[Message], *, now: datetime) -> int:
    return rows.update(state=MessageState.CANCELLED, finished_at=now, leased_until=None, last_error=OPTED_OUT)


def _is_stopped(patient: Patient, channel: str) -> bool:
    """Whether the newest standing record of a channel is a no to everything."""
    newest = Consent.objects.filter(patient=patient, channel=channel, voided_at=None).order_by("-pk").first()
    return newest is not None and not newest.granted and newest.purpose == ""
