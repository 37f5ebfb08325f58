"""Plans: refreshed inside the transaction of whatever changed, and rebuilt from the records to the same rows.

Every service that writes facts of patients first takes `lock_patients` and last calls `refresh_plans`, in one
transaction: two writers of one patient queue, and nobody ever reads a plan that its facts have left behind.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.db import connection, models, transaction

from resupply.models import Patient, PatientStatus, PlanChecklist, PlanLine, PlanState, Subscription
from resupply.queries import facts as fact_queries
from resupply.queries.answers import yes_columns
from resupply.queries.facts import ClinicRules
from resupply.rules import cleaning
from resupply.rules.facts import PatientFacts
from resupply.rules.lines import LinePlan, PatientPlan, plan_patient
from resupply.services.standing import settle_read

FARTHEST_AHEAD = timedelta(hours=14)
"""No zone is further ahead of UTC (IANA time zone database: Pacific/Kiritimati)."""


def today_of(patient: Patient, now: datetime) -> date:
    """The calendar date of a moment where the patient lives.

    A zone that this machine no longer knows counts as UTC: one such patient must not stop everybody's sweep.
    """
    try:
        zone: tzinfo = ZoneInfo(patient.time_zone)
    except ZoneInfoNotFoundError:
        zone = UTC
    return now.astimezone(zone).date()


_POLICY = 7_240_001
"""Key of the advisory lock that writers of policy hold alone and writers of patients share."""


def lock_policy() -> None:
    """Make every writer of patients wait for this transaction; take it before any other lock.

    A dispense under way may bring a patient into a policy's reach after the policy's writer looked who is
    concerned, and have read the policy before it changed: neither would refresh that plan.
    """
    _advisory_lock("pg_advisory_xact_lock")


def lock_patients(patient_ids: Collection[int]) -> None:
    """Make other writers of these patients wait for this transaction. In id order, so none deadlocks."""
    _advisory_lock("pg_advisory_xact_lock_shared")
    list(
        Patient.objects.filter(pk__in=patient_ids)
        .order_by("pk")
        .select_for_update(no_key=True)
        .values_list("pk")
    )


def _advisory_lock(function: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {function}(%s)", [_POLICY])


def refresh_plans(patient_ids: Collection[int], *, now: datetime) -> int:
    """Work out these patients' plans anew and write what differs; their calendars become stale, and what was
    given or taken back settles which yes stands.

    Call it last in the transaction that changed facts. Returns the number of rows written.
    """
    written = _refresh(sorted(set(patient_ids)), now=now)
    mark_calendars_stale(patient_ids)  # also for what is shown but in no plan: language, cleaning day, zone
    return written


def mark_calendars_stale(patient_ids: Collection[int]) -> None:
    """What these patients' calendars store no longer counts; it is written anew ahead or when next fetched.

    Every live row is updated, stale ones too: the update has to wait for a rendering under way, which may
    have read the plan before this transaction changed it.
    """
    Subscription.objects.filter(patient__in=patient_ids, revoked_at=None).update(fresh_until=None)


def refresh_expired(*, now: datetime, limit: int = 1000) -> int:
    """Refresh plans whose `valid_until` has come where the patient lives; returns the number of patients.

    Safe to run twice or by two at once: each refresh works from the records.
    """
    horizon = (now + FARTHEST_AHEAD).date()
    candidates = PlanState.objects.filter(valid_until__lte=horizon).select_related("patient")
    due = [
        state.patient_id
        for state in candidates.order_by("valid_until", "pk").iterator()
        if state.valid_until and state.valid_until <= today_of(state.patient, now)
    ][:limit]
    for start in range(0, len(due), BATCH):
        _refresh_batch(due[start : start + BATCH], now=now)
    return len(due)


def refresh_if_run_out(patient: Patient, *, now: datetime) -> None:
    """Refresh a plan whose day has come before the sweep did, so that a page about one patient is right.

    Fetch the patient with `select_related("plan_state")`, and this costs nothing where the plan holds.
    """
    state: PlanState | None = getattr(patient, "plan_state", None)
    if state is not None and state.valid_until and state.valid_until <= today_of(patient, now):
        _refresh_batch([patient.pk], now=now)


BATCH = 500
"""Patients per transaction of a rebuild: enough to be fast, few enough that an edit never waits long."""


def rebuild_plans(*, now: datetime, after: int = 0) -> Iterator[tuple[int, int]]:
    """Rebuild every plan from the records, in committed batches by patient id, starting after `after`.

    Yields (last patient id done, rows written) per batch, so that a stopped rebuild can go on from there.
    """
    while True:
        batch = list(Patient.objects.filter(pk__gt=after).order_by("pk").values_list("pk", flat=True)[:BATCH])
        if not batch:
            return
        written = _refresh_batch(batch, now=now)
        after = batch[-1]
        yield after, written


def _refresh_batch(patient_ids: Sequence[int], *, now: datetime) -> int:
    with transaction.atomic():
        lock_patients(patient_ids)
        written = _refresh(patient_ids, now=now)
        if written:
            mark_calendars_stale(patient_ids)
    return written


def _refresh(patient_ids: Sequence[int], *, now: datetime) -> int:
    """Six queries, and one for each table that changes."""
    rules = fact_queries.clinic_rules()
    read = Patient.objects.select_related("plan_state").annotate(**yes_columns())
    patients = read.in_bulk(patient_ids)
    settle_read(patients.values())
    known = fact_queries.patient_facts(patient_ids)
    lines: list[PlanLine] = []
    checklists: list[PlanChecklist] = []
    states: list[PlanState] = []
    for pk, patient in patients.items():
        as_of = today_of(patient, now)
        plan = plan_patient(known[pk], rules.policy, as_of=as_of)
        lines += [_line_row(patient, plan, line) for line in plan.lines]
        checklists += _checklist_rows(patient, plan, known[pk], rules, as_of=as_of)
        states.append(PlanState(patient_id=pk, valid_until=plan.valid_until))
    return (
        _store(PlanLine, PlanLine.objects.filter(patient__in=patient_ids), lines, ["patient_id", "kind"])
        + _store(
            PlanChecklist,
            PlanChecklist.objects.filter(patient__in=patient_ids),
            checklists,
            ["patient_id", "frequency", "starts_on"],
        )
        + _store(PlanState, _states(patients.values()), states, ["patient_id"])
    )


def _states(patients: Iterable[Patient]) -> Iterator[PlanState]:
    """What stands of patients fetched with their states; a new patient has none yet."""
    for patient in patients:
        state: PlanState | None = getattr(patient, "plan_state", None)
        if state is not None:
            yield state


def _line_row(patient: Patient, plan: PatientPlan, line: LinePlan) -> PlanLine:
    period = line.allowance_period
    return PlanLine(
        patient=patient,
        location_id=patient.location_id,
        payer_id=int(plan.payer) if plan.payer else None,
        active=patient.status == PatientStatus.ON_THERAPY,
        kind=line.kind.value,
        part_code=line.code,
        in_use_since=line.in_use_since,
        worn_on=line.worn_on,
        spares=line.spares,
        supply_ends_on=line.supply_ends_on,
        covered_from=line.covered_from,
        refill_on=line.refill_on,
        ask_from=line.ask_from,
        deliver_from=line.deliver_from,
        allowance_units=line.allowance_units,
        allowance_count=period.count if period else None,
        allowance_unit=period.unit.value if period else None,
        allowance_at_once=line.allowance_at_once,
        covered_starts=list(line.covered_starts),
        billed_on=list(line.billed_on),
        delivery_lead=line.delivery_lead,
        target_units=line.target_units,
        paused_from=line.paused_from,
        paused_until=line.paused_until,
        changes_on=list(line.changes_on),
        units_started=line.units_started,
    )


def _checklist_rows(
    patient: Patient, plan: PatientPlan, known: PatientFacts, rules: ClinicRules, *, as_of: date
) -> list[PlanChecklist]:
    if patient.status != PatientStatus.ON_THERAPY:
        return []
    series = cleaning.checklists(
        held=plan.held,
        held_since=plan.held_since,
        pauses=known.pauses,
        choices=rules.cleaning,
        as_of=as_of,
    )
    return [
        PlanChecklist(
            patient=patient,
            frequency=checklist.frequency.value,
            starts_on=checklist.starts_on,
            ends_on=checklist.ends_on,
            tasks=list(checklist.tasks),
        )
        for checklist in series
    ]


Row = TypeVar("Row", PlanLine, PlanChecklist, PlanState)


def _store(model: type[Row], stored_rows: Iterable[Row], wanted: Sequence[Row], key: list[str]) -> int:
    """Make the stored rows equal to `wanted`; only rows that differ are written."""
    rows = model._default_manager
    stored = {_values(row, key): row for row in stored_rows}
    columns = [field.attname for field in model._meta.concrete_fields if field.attname != "id"]
    changed = []
    for row in wanted:
        found = stored.pop(_values(row, key), None)
        if found is None or _values(found, columns) != _values(row, columns):
            changed.append(row)
    if stored:
        rows.filter(pk__in=[row.pk for row in stored.values()]).delete()
    if changed:
        rows.bulk_create(
            changed,
            update_conflicts=True,
            unique_fields=key,
            update_fields=[column for column in columns if column not in key],
            batch_size=1000,
        )
    return len(changed) + len(stored)


def _values(row: models.Model, names: Sequence[str]) -> tuple[object, ...]:
    return tuple([getattr(row, name) for name in names])
