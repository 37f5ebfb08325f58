"""Opt-outs: a no to a channel, or to all of them, that holds from this moment on.

What waits to be sent is cancelled in the same transaction. What a worker holds is looked at again right
before it goes out (`queries.reminders.look_again`), so nothing leaves after the commit but what was handed
over before.
"""

import secrets
from collections.abc import Iterable
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

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
    waiting = Message.objects.filter(
        patient=patient, channel__in=channels, state=MessageState.WAITING, recall=None
    ).exclude(purpose__in=REPLIES)
    keys = list(waiting.select_for_update().values_list("pk", flat=True))
    doubtful = Message.objects.filter(pk__in=keys, is_unsure=True).values("pk")
    MessageReason.objects.filter(message__in=keys, stands=True).exclude(message__in=doubtful).update(
        stands=False
    )
    MessageOccasion.objects.filter(message__in=keys, stands=True).exclude(message__in=doubtful).update(
        stands=False
    )
    return Message.objects.filter(pk__in=keys).update(
        state=MessageState.CANCELLED, finished_at=now, leased_until=None, last_error=OPTED_OUT
    )


def _is_stopped(patient: Patient, channel: str) -> bool:
    """Whether the newest standing record of a channel is a no to everything."""
    newest = Consent.objects.filter(patient=patient, channel=channel, voided_at=None).order_by("-pk").first()
    return newest is not None and not newest.granted and newest.purpose == ""
