"""What became of a message after a carrier had taken it: delivered, or back as undeliverable.

A bounce that says that there is no such address (`rules/bounces.py`) stops that address: nothing is sent
there until it is changed on record, or a person confirms it with a reason.
"""

from datetime import datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import BadAddress, Channel, Message
from resupply.rules.bounces import is_hard
from resupply.rules.delivery_notices import Notice
from resupply.services.records import check_reason


def record_delivered(message: Message, *, now: datetime) -> None:
    """A carrier says that a message arrived; told twice, the first counts."""
    Message.objects.filter(pk=message.pk, delivered_at=None).update(delivered_at=now)


def record_bounce(message: Message, *, detail: str, now: datetime) -> None:
    """A message came back; `detail` is a code, without personal data. Told twice, the first counts."""
    with transaction.atomic():
        row = Message.objects.filter(pk=message.pk, bounced_at=None)
        if row.update(bounced_at=now, bounce_detail=detail[:200]):
            note_bad_address(message.pk, detail, now=now)


def note_bad_address(message_id: int, detail: str, *, now: datetime) -> None:
    """Stop the address a message went to, where the answer says that it does not exist."""
    message = Message.objects.get(pk=message_id)
    if not message.address or not is_hard(message.channel, detail):
        return
    BadAddress.objects.bulk_create(
        [
            BadAddress(
                patient_id=message.patient_id,
                channel=message.channel,
                address=message.address,
                since=now,
                message=message,
                detail=detail[:200],
            )
        ],
        ignore_conflicts=True,
    )


def confirm_address(
    bad: BadAddress, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> BadAddress:
    """A person says that the address is right all the same: it is written to again.

    Raises Refused: `reason_missing`, `reason_long`.
    """
    reason = check_reason(reason)
    BadAddress.objects.filter(pk=bad.pk, confirmed_at=None).update(
        confirmed_at=now, confirmed_by_id=by.pk if by is not None else None, confirm_reason=reason
    )
    bad.refresh_from_db()
    return bad


def record_notice(notice: Notice, *, now: datetime) -> bool:
    """Keep what a mail server told about one of our mails; False where it is about none of ours.

    Our Message-IDs are `<public id@domain>`.
    """
    try:
        key = UUID(notice.message_id.strip("<>").partition("@")[0])
    except ValueError:
        return False
    message = Message.objects.filter(public_id=key, channel=Channel.MAIL).first()
    if message is None:
        return False
    if notice.action == "failed":
        record_bounce(message, detail=notice.status, now=now)
    else:
        record_delivered(message, now=now)
    return True
