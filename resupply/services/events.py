"""What happened to a patient's parts or therapy after the dispense: swaps, losses, pauses, refits."""

from dataclasses import replace
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Event, EventType, Patient
from resupply.queries import facts as facts_of
from resupply.rules.facts import PatientFacts, Swap
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, plan_lines
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_ahead, check_day, local_day, said, stamp, take_back


def record_swap(
    *,
    patient: Patient,
    kind: str,
    on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    by_patient: bool = False,
    keep_anyway: bool = False,
) -> Event:
    """Record that a part was changed on a day.

    Raises Refused: `kind`, `future`, `before_birth`, `already`, and `no_spare` where no spare could have
    been put in use that day; with `keep_anyway` it is kept all the same (it changes nothing until its
    dispense is recorded).
    """
    check_day(patient, on, today=local_day(now, patient.time_zone))
    part = _kind(kind)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        _once(patient, EventType.SWAP, on, kind)
        if not keep_anyway and not _swap_counts(_facts(patient), part, on):
            raise Refused(
                "no_spare",
                "No spare of this part is on record for that day. Log the dispense it came from first, or "
                "correct the date; or keep the report as it is.",
                "kind",
            )
        event = Event.objects.create(
            patient=patient, event=EventType.SWAP, kind=kind, on=on, by_patient=by_patient, **stamp(by, now)
        )
        plans.refresh_plans([patient.pk], now=now)
    return event


def record_loss(
    *,
    patient: Patient,
    kind: str,
    on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    by_patient: bool = False,
) -> Event:
    """Record that the unit in use was lost or broken. Raises Refused `nothing_in_use` besides a swap's."""
    check_day(patient, on, today=local_day(now, patient.time_zone))
    part = _kind(kind)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        _once(patient, EventType.LOSS, on, kind)
        line = _line(_facts(patient), part, on)
        if line is None or line.in_use_since is None:
            raise Refused(
                "nothing_in_use", "No such part was in use on that day. Correct the part or the date.", "kind"
            )
        event = Event.objects.create(
            patient=patient, event=EventType.LOSS, kind=kind, on=on, by_patient=by_patient, **stamp(by, now)
        )
        plans.refresh_plans([patient.pk], now=now)
    return event


def record_pause(
    *,
    patient: Patient,
    on: date,
    until: date | None,
    by: AbstractBaseUser | None,
    now: datetime,
    by_patient: bool = False,
) -> Event:
    """Record that therapy pauses from a day on; `until` is the first day after it (None: open).

    Raises Refused: `before_birth`, `too_far`, `until`, `overlap`.
    """
    today = local_day(now, patient.time_zone)
    check_day(patient, on, today=today, ahead=True)
    check_ahead(on, today=today, what="a start", field="on")
    _check_until(on, until, today=today)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        for other in Event.objects.filter(patient=patient, event=EventType.PAUSE, voided_at=None):
            if other.on < (until or date.max) and on < (other.until or date.max):
                raise Refused(
                    "overlap",
                    f"Therapy is on record as paused from {said(other.on)}. End or void that pause first.",
                    "on",
                )
        event = _append_pause(patient, on, until, by, now, by_patient=by_patient)
        plans.refresh_plans([patient.pk], now=now)
    return event


def end_pause(event: Event, *, until: date, by: AbstractBaseUser | None, now: datetime) -> Event:
    """End an open pause: `until` is the first day of therapy again. The open row is voided, a closed one
    appended.

    Raises Refused: `not_open`, `until`, `too_far`.
    """
    _check_until(event.on, until, today=local_day(now, event.patient.time_zone))
    with transaction.atomic():
        plans.lock_patients([event.patient_id])
        event.refresh_from_db()
        if event.event != EventType.PAUSE or event.until is not None or event.is_voided:
            raise Refused("not_open", "This pause is not open any more.")
        take_back(event, reason=f"ended: therapy again from {said(until)}", by=by, now=now)
        closed = _append_pause(event.patient, event.on, until, by, now, by_patient=event.by_patient)
        plans.refresh_plans([event.patient_id], now=now)
    return closed


def record_refit(
    *, patient: Patient, family: str, on: date, by: AbstractBaseUser | None, now: datetime
) -> Event:
    """Record a refit to a mask family: units of other families end that day.

    Raises Refused: `family`, `future`, `before_birth`, `already`.
    """
    check_day(patient, on, today=local_day(now, patient.time_zone))
    family = family.strip()
    if not family:
        raise Refused("family", "Name the mask family the patient was refitted to.", "family")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        _once(patient, EventType.REFIT, on, family=family)
        event = Event.objects.create(
            patient=patient, event=EventType.REFIT, family=family, on=on, **stamp(by, now)
        )
        plans.refresh_plans([patient.pk], now=now)
    return event


def void_event(event: Event, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> Event:
    """Take an event back with a reason. Raises Refused `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        plans.lock_patients([event.patient_id])
        take_back(event, reason=reason, by=by, now=now)
        plans.refresh_plans([event.patient_id], now=now)
    return event


def _append_pause(
    patient: Patient,
    on: date,
    until: date | None,
    by: AbstractBaseUser | None,
    now: datetime,
    *,
    by_patient: bool,
) -> Event:
    return Event.objects.create(
        patient=patient, event=EventType.PAUSE, on=on, until=until, by_patient=by_patient, **stamp(by, now)
    )


def _check_until(on: date, until: date | None, *, today: date) -> None:
    if until is None:
        return
    if until <= on:
        raise Refused("until", "The first day of therapy again must come after the pause starts.", "until")
    check_ahead(until, today=today, what="an end", field="until")


def _kind(kind: str) -> Kind:
    try:
        return Kind(kind)
    except ValueError:
        raise Refused("kind", "Choose one of the patient's parts.", "kind") from None


def _once(patient: Patient, event: str, on: date, kind: str = "", *, family: str = "") -> None:
    """Refuse a second record of the same thing on the same day."""
    same = Event.objects.filter(patient=patient, event=event, kind=kind, family=family, on=on)
    if same.filter(voided_at=None).exists():
        raise Refused("already", "This is on record already for that day.", "on")


def _facts(patient: Patient) -> PatientFacts:
    return facts_of.patient_facts([patient.pk])[patient.pk]


def _line(facts: PatientFacts, kind: Kind, on: date) -> LinePlan | None:
    lines = plan_lines(facts, facts_of.policy(), as_of=on)
    return next((line for line in lines if line.kind == kind), None)


def _swap_counts(facts: PatientFacts, kind: Kind, on: date) -> bool:
    """Whether a swap on that day starts a unit: a spare, or the one whose start was only assumed."""
    line = _line(replace(facts, swaps=(*facts.swaps, Swap(on, kind))), kind, on)
    return line is not None and line.in_use_since == on
