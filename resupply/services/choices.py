"""A patient's own choices about messages: channel by purpose, the channel first tried, wording, and the end
of all of it.

What is ticked or cleared becomes consents, one record for each that changed; each says that it was given on
the own page.
"""

from collections.abc import Collection
from datetime import datetime, timedelta

from django.db import transaction

from resupply.models import Channel, Consent, MessageWish, Patient
from resupply.queries.consents import said_by
from resupply.rules.consents import may_write
from resupply.rules.purposes import Purpose
from resupply.services import optouts, plans
from resupply.services.errors import Refused
from resupply.services.records import local_day, stamp, take_back

ON_PAGE = "chosen on the own page"
STOPPED_ON_PAGE = "stopped everything on the own page"
UNDO_WITHIN = timedelta(days=1)

Choice = tuple[str, str]
"""A channel and a purpose; calls have one choice, whose purpose is empty."""
CHOICES: tuple[Choice, ...] = (
    *((channel.value, purpose.value) for channel in (Channel.MAIL, Channel.TEXT) for purpose in Purpose),
    (Channel.PHONE.value, ""),
)


def choices_of(patient: Patient) -> set[Choice]:
    """What the patient may be written to, or called, about."""
    said = said_by([patient.pk])[patient.pk]
    return {(channel, purpose) for channel, purpose in CHOICES if may_write(said, channel, purpose)}


def choose(
    patient: Patient,
    wanted: Collection[Choice],
    *,
    among: Collection[Choice],
    preferred: str,
    detailed: bool,
    now: datetime,
) -> int:
    """Record what changed of the choices that were shown (`among`); returns how many consents were written.

    What is cleared stops at once, also in messages that wait.
    """
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        before = choices_of(patient)
        changed = [
            choice for choice in CHOICES if choice in among and (choice in wanted) != (choice in before)
        ]
        for channel, purpose in changed:
            Consent.objects.create(
                patient=patient,
                channel=channel,
                purpose=purpose,
                granted=(channel, purpose) in wanted,
                given_on=local_day(now, patient.time_zone),
                how=ON_PAGE,
                **stamp(None, now),
            )
        for channel in (Channel.MAIL, Channel.TEXT):
            cleared = [one for on, one in changed if on == channel and (on, one) not in wanted]
            optouts.drop_purposes(patient, channel, cleared, now=now)
        wish = wish_of(patient)
        if (preferred, detailed) != ((wish.channel, wish.detailed) if wish else ("", False)):
            MessageWish.objects.create(
                patient=patient, channel=preferred, detailed=detailed, by_patient=True, **stamp(None, now)
            )
    return len(changed)


def wish_of(patient: Patient) -> MessageWish | None:
    """The newest standing wish."""
    return MessageWish.objects.filter(patient=patient, voided_at=None).order_by("-pk").first()


def stop_everything(patient: Patient, *, now: datetime) -> None:
    """No message and no call from now on."""
    optouts.stop(patient, channel=None, how=STOPPED_ON_PAGE, by=None, now=now)


def undo_stop(patient: Patient, *, now: datetime) -> None:
    """Take back a stop of everything within a day: what held before holds again.

    Raises Refused `not_stopped`.
    """
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        rows = list(
            Consent.objects.filter(
                patient=patient,
                how=STOPPED_ON_PAGE,
                granted=False,
                voided_at=None,
                recorded_at__gt=now - UNDO_WITHIN,
            )
        )
        if not rows:
            raise Refused("not_stopped", "There is nothing to take back any more.")
        for row in rows:
            take_back(row, reason="Taken back by the patient on the own page.", by=None, now=now)
