"""Private calendars: give out, renew, revoke, and write what the address answers.

A renewal revokes the address and gives out a new one with the same choices: the old address answers "gone",
so that whoever had it loses the calendar for good, and the record shows which address was good from when to
when.

What an address answers is kept in the subscription's own row, good while the plan it was written from is.
Writing it holds the row's lock while the plan is read; a change of the plan marks the row stale as its last
act (`plans.mark_calendars_stale`), so it waits for the writing and undoes its freshness: no change is lost.
"""

import logging
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TypedDict

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Patient, PlanState, Subscription
from resupply.queries import feeds as feed_queries
from resupply.rules.zones import zone_named
from resupply.services import feed_content, plans
from resupply.services.errors import Refused
from resupply.services.records import local_day

log = logging.getLogger(__name__)

NEVER = datetime(9999, 12, 31, tzinfo=UTC)

FETCHED_EVERY = timedelta(hours=1)
"""`last_fetched_at` is no finer: calendar programs ask often, and a write costs more than the answer."""


class _Options(TypedDict):
    label: str
    detailed: bool
    with_changes: bool
    with_refills: bool
    with_daily: bool
    with_weekly: bool
    with_monthly: bool
    alarm_hour: int | None


@dataclass(frozen=True, slots=True)
class Options:
    """What a calendar shows. `label` tells a patient's calendars apart for staff, and is in no feed."""

    label: str = ""
    detailed: bool = False
    with_changes: bool = True
    with_refills: bool = True
    with_daily: bool = True
    with_weekly: bool = True
    with_monthly: bool = True
    alarm_hour: int | None = None


@dataclass(frozen=True, slots=True)
class Issued:
    """A calendar and its token, which nothing stores: shown now or never."""

    subscription: Subscription
    token: str


@dataclass(frozen=True, slots=True)
class Written:
    """What an address answers."""

    body: bytes
    etag: str


def subscribe(patient: Patient, options: Options, *, by: AbstractBaseUser | None, now: datetime) -> Issued:
    """Give a patient a calendar address. Raises Refused: `nothing_chosen`, `alarm_hour`, `label_long`."""
    values = _checked(options)
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        subscription = Subscription.objects.create(
            patient=patient,
            token_hash=feed_queries.token_hash(token),
            created_at=now,
            created_by_id=by.pk if by is not None else None,
            **values,
        )
    return Issued(subscription, token)


def renew(subscription: Subscription, *, by: AbstractBaseUser | None, now: datetime) -> Issued:
    """Revoke an address and give out another with the same choices. Raises Refused `already_revoked`."""
    with transaction.atomic():
        revoke(subscription, by=by, now=now)
        return subscribe(subscription.patient, options_of(subscription), by=by, now=now)


def change(subscription: Subscription, options: Options, *, now: datetime) -> None:
    """Change what a calendar shows, at the same address. Raises Refused as `subscribe`, and
    `already_revoked`.
    """
    values = _checked(options)
    with transaction.atomic():
        changed = Subscription.objects.filter(pk=subscription.pk, revoked_at=None)
        if not changed.update(**values, fresh_until=None):
            raise _revoked()


def revoke(subscription: Subscription, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """End an address for good; what it answered is dropped. Raises Refused `already_revoked`."""
    with transaction.atomic():
        live = Subscription.objects.select_for_update().filter(pk=subscription.pk, revoked_at=None)
        if not live.exists():
            raise _revoked()
        Subscription.objects.filter(pk=subscription.pk).update(
            revoked_at=now,
            revoked_by_id=by.pk if by is not None else None,
            body=b"",
            etag="",
            fresh_until=None,
        )


def options_of(subscription: Subscription) -> Options:
    """The choices of a calendar."""
    return Options(
        label=subscription.label,
        detailed=subscription.detailed,
        with_changes=subscription.with_changes,
        with_refills=subscription.with_refills,
        with_daily=subscription.with_daily,
        with_weekly=subscription.with_weekly,
        with_monthly=subscription.with_monthly,
        alarm_hour=subscription.alarm_hour,
    )


def render(subscription_id: int, *, now: datetime) -> Written | None:
    """Write what an address answers where it is stale, and return it; None where it has been revoked.

    A plan that has run out is refreshed first (its patient is locked before the calendar, as in every write).
    """
    with transaction.atomic():
        patient_id = Subscription.objects.values_list("patient_id", flat=True).get(pk=subscription_id)
        _refresh_expired_plan(Patient.objects.get(pk=patient_id), now=now)
        subscription = Subscription.objects.select_for_update().get(pk=subscription_id)
        if subscription.revoked_at is not None:
            return None
        patient = Patient.objects.get(pk=patient_id)
        if not feed_queries.is_fresh(subscription.fresh_until, now=now):
            subscription.body, subscription.etag = feed_content.write_stored(subscription, patient, now=now)
            subscription.fresh_until = _valid_until(patient)
            subscription.save(update_fields=["body", "etag", "fresh_until"])
        return Written(bytes(subscription.body), subscription.etag)


def export_ahead(*, now: datetime, limit: int = 500) -> int:
    """Write stale calendars anew before anyone asks, each in its own transaction; returns how many were.

    Safe to run twice or by two at once: each looks again once it holds the calendar's lock. A calendar that
    cannot be written is logged, and is in nobody's way.
    """
    written = 0
    for pk, public_id in feed_queries.stale(now=now).values_list("pk", "public_id").iterator():
        try:
            render(pk, now=now)
        except Exception:
            log.exception("calendar %s could not be written; the others are", public_id)
            continue
        written += 1
        if written == limit:
            break
    return written


def note_fetch(subscription_id: int, last_fetched_at: datetime | None, *, now: datetime) -> None:
    """Keep when the address was last asked, to the hour."""
    if last_fetched_at is None or now - last_fetched_at >= FETCHED_EVERY:
        Subscription.objects.filter(pk=subscription_id).update(last_fetched_at=now)


def _refresh_expired_plan(patient: Patient, *, now: datetime) -> None:
    state = PlanState.objects.filter(patient=patient).first()
    if state is None or (state.valid_until and state.valid_until <= local_day(now, patient.time_zone)):
        plans.lock_patients([patient.pk])
        plans.refresh_plans([patient.pk], now=now)


def _valid_until(patient: Patient) -> datetime:
    """The moment the plan runs out, a day's start where the patient lives; NEVER: it waits for a record."""
    day = PlanState.objects.values_list("valid_until", flat=True).get(patient=patient)
    return datetime.combine(day, time(), zone_named(patient.time_zone)) if day else NEVER


def _revoked() -> Refused:
    return Refused("already_revoked", "This calendar address has been revoked already.")


def _checked(options: Options) -> _Options:
    """Field values of a subscription. Raises Refused."""
    cleaning = (options.with_daily, options.with_weekly, options.with_monthly)
    if not any((options.with_changes, options.with_refills, *cleaning)):
        raise Refused("nothing_chosen", "Choose at least one thing for the calendar to show.", "with_changes")
    if options.alarm_hour is not None and not 0 <= options.alarm_hour <= 23:
        raise Refused("alarm_hour", "Choose an hour from 0 to 23, or no alarm.", "alarm_hour")
    label = options.label.strip()
    if len(label) > 60:
        raise Refused("label_long", "Keep the label to 60 characters.", "label")
    return {
        "label": label,
        "detailed": options.detailed,
        "with_changes": options.with_changes,
        "with_refills": options.with_refills,
        "with_daily": options.with_daily,
        "with_weekly": options.with_weekly,
        "with_monthly": options.with_monthly,
        "alarm_hour": options.alarm_hour,
    }
