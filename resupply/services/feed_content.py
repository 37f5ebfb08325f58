"""What a calendar says, from the stored plan or straight from the records, and the identity of its entries.

An entry keeps its UID by its key, and its SEQUENCE and change time by its digest: both rise only when what it
shows changes, also over a rebuild of the plans. One that goes is kept, and carries on counting if it returns.
"""

import hashlib
import uuid
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time

from resupply.delivery import calendar
from resupply.delivery.calendar import Stamp
from resupply.delivery.calendar_entries import Entry, Look, entries
from resupply.models import FeedEntry, Patient, PatientStatus, PlanChecklist, PlanLine, Subscription
from resupply.queries import facts as fact_queries
from resupply.queries import feeds as feed_queries
from resupply.queries.plans import to_plan
from resupply.rules import cleaning
from resupply.rules.cleaning import Checklist, Frequency
from resupply.rules.lines import LinePlan, plan_patient
from resupply.services.records import local_day


def write_stored(subscription: Subscription, patient: Patient, *, now: datetime) -> tuple[bytes, str]:
    """Body and ETag of a calendar from the stored plan; entries that changed are counted and stamped `now`.

    The caller holds the subscription's lock.
    """
    look = look_of(subscription, patient)
    lines = [to_plan(row) for row in PlanLine.objects.filter(patient=patient)]
    series = [
        Checklist(Frequency(row.frequency), row.starts_on, row.ends_on, tuple(row.tasks))
        for row in PlanChecklist.objects.filter(patient=patient)
    ]
    shown = _entries(patient, lines, series, look)
    stamps = _stamp(subscription, shown, now=now)
    body = calendar.write(
        [(entry, stamps[entry.key]) for entry in shown], look, identity=subscription.public_id
    )
    return body, hashlib.sha256(body).hexdigest()


def preview(patient: Patient, *, as_of: date) -> bytes:
    """The calendar of a patient as of a day, from the records; writes nothing, and is the same on every run.

    It is the newest live calendar where there is one: its choices, its UIDs, and the count and time of every
    entry that says what it said last. Otherwise it is one of the usual choices, as if made on that day.
    """
    subscription = feed_queries.newest_live(patient)
    if subscription is None:
        identity = uuid.uuid5(patient.public_id, "calendar preview")
        look = _look(Subscription(patient=patient), patient, since=as_of)
        known: dict[str, FeedEntry] = {}
    else:
        identity = subscription.public_id
        made_on = local_day(subscription.created_at, patient.time_zone)
        look = _look(subscription, patient, since=min(made_on, as_of))
        known = {entry.key: entry for entry in subscription.entries.all()}
    shown = _entries(patient, *_from_records(patient, as_of=as_of), look)
    moment = datetime.combine(as_of, time(), UTC)
    stamped = [(entry, _peek(known.get(entry.key), entry, moment)) for entry in shown]
    return calendar.write(stamped, look, identity=identity)


def look_of(subscription: Subscription, patient: Patient) -> Look:
    """How a subscription shows the plan of its patient."""
    return _look(subscription, patient, since=local_day(subscription.created_at, patient.time_zone))


def cleaning_shown(subscription: Subscription) -> frozenset[Frequency]:
    """The checklists that a calendar shows."""
    shown = {
        Frequency.DAILY: subscription.with_daily,
        Frequency.WEEKLY: subscription.with_weekly,
        Frequency.MONTHLY: subscription.with_monthly,
    }
    return frozenset(frequency for frequency, is_shown in shown.items() if is_shown)


def _look(subscription: Subscription, patient: Patient, *, since: date) -> Look:
    return Look(
        with_changes=subscription.with_changes,
        with_refills=subscription.with_refills,
        cleaning=cleaning_shown(subscription),
        detailed=subscription.detailed,
        alarm_hour=subscription.alarm_hour,
        cleaning_hour=patient.cleaning_hour,
        language=patient.language,
        weekday=patient.cleaning_weekday,
        month_day=patient.cleaning_month_day,
        since=since,
    )


def _entries(
    patient: Patient, lines: Sequence[LinePlan], series: Sequence[Checklist], look: Look
) -> tuple[Entry, ...]:
    """The entries; a patient who is not on therapy has an empty calendar."""
    if patient.status != PatientStatus.ON_THERAPY:
        return ()
    return entries(lines, series, look)


def _from_records(patient: Patient, *, as_of: date) -> tuple[Sequence[LinePlan], Sequence[Checklist]]:
    known = fact_queries.patient_facts([patient.pk])[patient.pk]
    plan = plan_patient(known, fact_queries.policy(), as_of=as_of)
    series = cleaning.checklists(
        held=plan.held,
        held_since=plan.held_since,
        pauses=known.pauses,
        choices=fact_queries.cleaning_versions(),
        as_of=as_of,
    )
    return plan.lines, series


def _stamp(subscription: Subscription, shown: Iterable[Entry], *, now: datetime) -> dict[str, Stamp]:
    """Count and time of every entry, and the record of them for next time."""
    known = {entry.key: entry for entry in FeedEntry.objects.filter(subscription=subscription)}
    moment = now.replace(microsecond=0)
    new: list[FeedEntry] = []
    changed: list[FeedEntry] = []
    stamps: dict[str, Stamp] = {}
    for entry in shown:
        row = known.pop(entry.key, None)
        stamp = stamps[entry.key] = _peek(row, entry, moment)
        if row is None:
            row = FeedEntry(subscription=subscription, key=entry.key)
            new.append(row)
        elif not row.is_shown or row.digest != entry.digest():
            changed.append(row)
        row.digest, row.is_shown = entry.digest(), True
        row.sequence, row.changed_at = stamp.sequence, stamp.changed_at
    for row in known.values():
        if row.is_shown:
            row.is_shown = False
            changed.append(row)
    FeedEntry.objects.bulk_create(new)
    FeedEntry.objects.bulk_update(changed, ["digest", "is_shown", "sequence", "changed_at"])
    return stamps


def _peek(row: FeedEntry | None, entry: Entry, moment: datetime) -> Stamp:
    """An entry's stamp: what it was where it still says the same, else counted once more and changed now."""
    if row is None:
        return Stamp(0, moment)
    if row.is_shown and row.digest == entry.digest():
        return Stamp(row.sequence, row.changed_at)
    return Stamp(row.sequence + 1, moment)
