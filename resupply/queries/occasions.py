"""Occasions to write besides refills: a part change, a follow-up, a welcome, the end of a link.

Each purpose has one query for what is true on a day. `due` asks it for what is new, `holding` asks the same
query again right before a message goes out.

- *swap*: a spare was due to start, today or up to two days ago, and nobody reported that it did.
- *follow-up*: a step of the follow-up plan is due, from its first day to its last.
- *welcome*: the first parts came within 30 days; patients of an import are no newcomers.
- *calendar*: the link of the own page ends within the days that the terms say.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django.db.models import (
    Case,
    CharField,
    DateField,
    Exists,
    F,
    OuterRef,
    Q,
    QuerySet,
    TextField,
    Value,
    When,
)
from django.db.models.functions import Cast, Concat

from resupply.models import (
    Dispense,
    DispenseLine,
    Event,
    EventType,
    Message,
    MessageOccasion,
    PatientLink,
    PatientStatus,
    PlanLine,
    PlanState,
    SuppliedBy,
)
from resupply.queries.consents import reach
from resupply.queries.follow_ups import due_for
from resupply.queries.message_terms import count_near, of_day
from resupply.queries.paused import paused_on
from resupply.rules.kinds import Kind
from resupply.rules.message_terms import MessageTerms, Schedule
from resupply.rules.purposes import Purpose

SWAP_DAYS = timedelta(days=3)
"""A part change is written about on its day or within the two that follow (ours)."""
WELCOME_DAYS = timedelta(days=30)
WELCOME = "welcome"


@dataclass(frozen=True, slots=True)
class Occasion:
    """Something to write about to a patient of a zone; `key` names it among those of patient and purpose."""

    patient_id: int
    zone: str
    purpose: Purpose
    key: str
    on: date


Rows = QuerySet[Any]
"""Rows of a model with a `patient`, each with `key` and `on`."""


def due(
    *,
    day: date,
    zones: Collection[str],
    terms: MessageTerms,
    channels: Collection[str],
    patients: Collection[int] | None = None,
    limit: int | None = None,
) -> dict[int, list[Occasion]]:
    """New occasions on a day, by patient (None: all), for those who may get a message of that day; at most
    `limit` a purpose.
    """
    found: dict[int, list[Occasion]] = {}
    for purpose, rows in _all(day, terms, patients).items():
        waiting = (
            rows.alias(near=count_near(day, "patient"))
            .filter(
                reach(purpose, channels),
                ~Exists(of_day(day)),
                ~Exists(_written(purpose)),
                patient__status=PatientStatus.ON_THERAPY,
                patient__time_zone__in=zones,
                near__lt=terms.per_week,
            )
            .order_by("patient_id", "key")
        )
        for one in _read(purpose, waiting[:limit]):
            found.setdefault(one.patient_id, []).append(one)
    return found


def holding(messages: Sequence[Message], *, terms: Schedule) -> set[tuple[int, str, str]]:
    """What is still true on the day of these messages: (patient, purpose, key)."""
    found = set()
    for day in {message.day for message in messages}:
        patients = [message.patient_id for message in messages if message.day == day]
        for purpose, rows in _all(day, terms.on(day), patients).items():
            found |= {(one.patient_id, purpose.value, one.key) for one in _read(purpose, rows)}
    return found


def _read(purpose: Purpose, rows: Rows) -> list[Occasion]:
    columns = rows.values_list("patient", "patient__time_zone", "key", "on")
    return [Occasion(patient, zone, purpose, key, on) for patient, zone, key, on in columns]


def _all(day: date, terms: MessageTerms, patients: Collection[int] | None = None) -> dict[Purpose, Rows]:
    """What is true on a day, by purpose, of these patients (None: of all)."""
    queries = {
        Purpose.SWAP: _swaps(day),
        Purpose.FOLLOW_UP: _follow_ups(day, patients),
        Purpose.WELCOME: _welcomes(day),
        Purpose.CALENDAR: _ending(day, timedelta(days=terms.link_ahead_days)),
    }
    if patients is None:
        return queries
    return {purpose: rows.filter(patient__in=patients) for purpose, rows in queries.items()}


def _written(purpose: Purpose) -> "QuerySet[MessageOccasion]":
    return MessageOccasion.objects.filter(
        patient=OuterRef("patient"), purpose=purpose, key=OuterRef("key"), stands=True
    )


def _swaps(day: date) -> Rows:
    """Lines whose next spare was to start, and no report or dispense of the kind, nor a mask, says why."""
    recent = {"in_use_since__gt": day - SWAP_DAYS, "in_use_since__lte": day}
    told = Event.objects.filter(
        patient=OuterRef("patient"),
        event__in=[EventType.SWAP, EventType.LOSS],
        kind=OuterRef("kind"),
        on=OuterRef("in_use_since"),
        voided_at=None,
    )
    given = DispenseLine.objects.filter(
        Q(kind=OuterRef("kind")) | Q(kind=Kind.MASK),
        dispense__patient=OuterRef("patient"),
        dispense__dispensed_on=OuterRef("in_use_since"),
        dispense__voided_at=None,
        voided_at=None,
    )
    return (
        PlanLine.objects.filter(
            Q(patient__plan_state__valid_until=None) | Q(patient__plan_state__valid_until__gt=day),
            ~Exists(told),
            ~Exists(given),
            active=True,
            units_started__gt=1,
            **recent,
        )
        .exclude(paused_on(day))
        .annotate(
            key=Concat(F("kind"), Value(":"), Cast("units_started", TextField()), output_field=CharField()),
            on=F("in_use_since"),
        )
    )


def _follow_ups(day: date, patients: Collection[int] | None) -> Rows:
    """Patients with a step due, by their plan state; nobody while therapy pauses."""
    steps = due_for(day, patients)
    whens = [
        When(patient=patient, then=Value(f"{step.step}:{step.first}")) for patient, step in steps.items()
    ]
    firsts = [When(patient=patient, then=Value(step.first)) for patient, step in steps.items()]
    paused = PlanLine.objects.filter(paused_on(day), patient=OuterRef("patient"))
    rows = PlanState.objects.filter(~Exists(paused), patient__in=steps)
    if not whens:
        return rows.none().annotate(key=Value("", CharField()), on=Value(day, DateField()))
    return rows.annotate(
        key=Case(*whens, output_field=CharField()), on=Case(*firsts, output_field=DateField())
    )


def _welcomes(day: date) -> Rows:
    """Each newcomer's first dispense from us of the last 30 days, if nothing was dispensed before them."""
    same_day = Q(dispensed_on=OuterRef("dispensed_on"), pk__lt=OuterRef("pk"))
    earlier = Dispense.objects.filter(
        Q(dispensed_on__lte=day - WELCOME_DAYS)
        | Q(Q(dispensed_on__lt=OuterRef("dispensed_on")) | same_day, supplied_by=SuppliedBy.US),
        patient=OuterRef("patient"),
        voided_at=None,
    )
    recent = Dispense.objects.filter(
        ~Exists(earlier),
        voided_at=None,
        supplied_by=SuppliedBy.US,
        dispensed_on__gt=day - WELCOME_DAYS,
        dispensed_on__lte=day,
        patient__batch=None,
    )
    return recent.annotate(key=Value(WELCOME, CharField()), on=F("dispensed_on"))


def _ending(day: date, ahead: timedelta) -> Rows:
    """Live links of own pages that end soon."""
    start = datetime.combine(day, time(), UTC)
    rows = PatientLink.objects.filter(
        revoked_at=None, expires_at__gt=start, expires_at__lte=start + ahead + timedelta(days=1)
    )
    return rows.annotate(
        key=Concat(Value("link:"), Cast("pk", TextField()), output_field=CharField()),
        on=Cast("expires_at", DateField()),
    )
