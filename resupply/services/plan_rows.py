"""Rows of plans: worked out from facts and policy, and written where they differ from what is stored.

While a change of policy is staged (`services.policy_changes`), a patient's plan is worked out twice, by the
policy in force and by the one to come, and what differs stands twice: the present row until the staged
edition, the other from it on. So whoever refreshes a plan in that time keeps both right.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, TypedDict, TypeVar

from django.db import connection, models

from resupply.models import Patient, PatientStatus, PlanChecklist, PlanLine, PlanState
from resupply.queries import facts as fact_queries
from resupply.queries.answers import yes_columns
from resupply.queries.drafts import change_of
from resupply.queries.editions import Editions, edition_column
from resupply.queries.facts import ClinicRules
from resupply.rules import cleaning
from resupply.rules.facts import PatientFacts
from resupply.rules.lines import LinePlan, PatientPlan, plan_patient
from resupply.services.standing import settle_read

LINE_KEY = ("patient_id", "kind")
CHECKLIST_KEY = ("patient_id", "frequency", "starts_on")
_MARKS = ("shown_from", "shown_until")
Row = TypeVar("Row", PlanLine, PlanChecklist, PlanState)
Shown = TypeVar("Shown", PlanLine, PlanChecklist)


@dataclass(slots=True)
class PlanRows:
    """One patient's rows by one policy."""

    lines: list[PlanLine]
    checklists: list[PlanChecklist]
    valid_until: date | None


def refresh(patient_ids: Sequence[int], *, today_of: Callable[[Patient], date]) -> int:
    """Work out these patients' plans and write what differs, under their locks; returns the rows written.

    Six queries, and one for each table that changes.
    """
    columns = {**yes_columns(), "editions": edition_column()}
    patients = Patient.objects.select_related("plan_state").annotate(**columns).in_bulk(patient_ids)
    if not patients:
        return 0
    first: Any = next(iter(patients.values()))
    present = Editions.read(first.editions)
    rules, draft = fact_queries.clinic_rules(), present.draft()
    ahead = fact_queries.clinic_rules(change=change_of(draft)) if draft else None
    settle_read(patients.values())
    known = fact_queries.patient_facts(patient_ids)
    lines: list[PlanLine] = []
    checklists: list[PlanChecklist] = []
    states: list[PlanState] = []
    for pk, patient in patients.items():
        as_of = today_of(patient)
        now = rows_of(patient, known[pk], rules, as_of=as_of)
        state = PlanState(patient_id=pk, valid_until=now.valid_until)
        if ahead is not None and present.staged is not None:
            then = rows_of(patient, known[pk], ahead, as_of=as_of)
            now.lines = _both(now.lines, then.lines, LINE_KEY, present.staged)
            now.checklists = _both(now.checklists, then.checklists, CHECKLIST_KEY, present.staged)
            _hold_both(state, then.valid_until, present.staged)
        lines += now.lines
        checklists += now.checklists
        states.append(state)
    return (
        _store(PlanLine, PlanLine.stored.filter(patient__in=patient_ids), lines, LINE_KEY, present)
        + _store(
            PlanChecklist,
            PlanChecklist.stored.filter(patient__in=patient_ids),
            checklists,
            CHECKLIST_KEY,
            present,
        )
        + _store(PlanState, _states(patients.values()), states, ("patient_id",), present)
    )


def rows_of(patient: Patient, known: PatientFacts, rules: ClinicRules, *, as_of: date) -> PlanRows:
    """The rows of a patient's plan by one policy, not saved."""
    plan = plan_patient(known, rules.policy, as_of=as_of)
    return PlanRows(
        [_line_row(patient, plan, line) for line in plan.lines],
        _checklist_rows(patient, plan, known, rules, as_of=as_of),
        plan.valid_until,
    )


_GONE = "DELETE FROM {table} WHERE patient_id = ANY(%s) AND shown_until <= ({number}) RETURNING patient_id"
_BEGUN = """
    UPDATE {table} SET shown_from = NULL
    WHERE patient_id = ANY(%s) AND shown_from <= ({number}) RETURNING patient_id"""
_STATE = """
    UPDATE resupply_planstate SET valid_until = staged_until, staged_until = NULL, staged_for = NULL
    WHERE patient_id = ANY(%s) AND staged_for <= ({number}) RETURNING patient_id"""
_NUMBER = "SELECT number FROM resupply_planedition"


def tidy(patient_ids: Sequence[int]) -> set[int]:
    """Delete what the present edition shows no more, under the patients' locks; what it shows looks as if it
    had been so ever. Returns whose plans had moved.
    """
    tables = [model._meta.db_table for model in (PlanLine, PlanChecklist)]
    moved: set[int] = set()
    with connection.cursor() as cursor:
        for sql, table in [*((_GONE, table) for table in tables), *((_BEGUN, table) for table in tables)]:
            cursor.execute(sql.format(table=table, number=_NUMBER), [list(patient_ids)])
            moved.update(patient for (patient,) in cursor)
        cursor.execute(_STATE.format(number=_NUMBER), [list(patient_ids)])
        moved.update(patient for (patient,) in cursor)
    return moved


def _both(now: Sequence[Shown], then: Sequence[Shown], key: Sequence[str], staged: int) -> list[Shown]:
    """The rows of two policies: what is equal once, what differs until and from the staged edition."""
    if not now and not then:
        return []
    columns = _contents(type((now or then)[0]))
    ahead = {_values(row, key): row for row in then}
    rows: list[Shown] = []
    for row in now:
        twin = ahead.pop(_values(row, key), None)
        rows.append(row)
        if twin is not None and _values(twin, columns) == _values(row, columns):
            continue
        row.shown_until = staged
        if twin is not None:
            twin.shown_from = staged
            rows.append(twin)
    for row in ahead.values():
        row.shown_from = staged
        rows.append(row)
    return rows


def _hold_both(state: PlanState, then: date | None, staged: int) -> None:
    """Until the switch the earlier day counts, so that neither plan is left behind."""
    if then != state.valid_until:
        state.staged_for, state.staged_until = staged, then
        state.valid_until = min((day for day in (then, state.valid_until) if day), default=None)


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


def _store(
    model: type[Row], stored_rows: Iterable[Row], wanted: Sequence[Row], key: Sequence[str], present: Editions
) -> int:
    """Make the stored rows equal to `wanted`; only rows that differ are written.

    A row keeps its number as long as it is shown: pages go on from it.
    """
    old = _Stored(stored_rows, key, present)
    rows: models.Manager[Row] = getattr(model, "stored", model._default_manager)
    columns = _contents(model)
    changed: list[Row] = []
    ends: dict[int | None, list[int]] = {}
    for row in wanted:
        found = old.take(row)
        if found is not None and _until(found) != _until(row):
            ends.setdefault(_until(row), []).append(found.pk)
        if found is None or _values(found, columns) != _values(row, columns):
            changed.append(row)
    if gone := old.rest():
        rows.filter(pk__in=gone).delete()
    for until, pks in ends.items():
        rows.filter(pk__in=pks).update(**{_MARKS[1]: until})
    if changed:
        rows.bulk_create(changed, batch_size=1000, update_conflicts=True, **_conflicts(model, columns, key))
    return len(changed) + len(gone) + sum(map(len, ends.values()))


class _Conflicts(TypedDict):
    unique_fields: list[str]
    update_fields: list[str]


def _conflicts(model: type[models.Model], columns: Sequence[str], key: Sequence[str]) -> _Conflicts:
    """What makes a row the same one, and what is written over where it is."""
    marks = [mark for mark in _MARKS if hasattr(model, mark)]
    written = [column for column in columns if column not in key]
    return {"unique_fields": [*key, *marks[1:]], "update_fields": [*written, *marks[:1]]}


class _Stored:
    """Stored rows of some patients, by key and by whether the present edition shows them or the staged one.
    What an edition before left behind, or one that was given up, is taken by nobody.
    """

    def __init__(self, stored: Iterable[models.Model], key: Sequence[str], present: Editions) -> None:
        self._key = key
        self._found: dict[tuple[object, ...], models.Model] = {}
        self._gone: list[int] = []
        for row in stored:
            begins, ends = _from(row), _until(row)
            is_ahead = begins is not None and begins > present.number
            if (ends is not None and ends <= present.number) or (is_ahead and begins != present.staged):
                self._gone.append(row.pk)
            else:
                self._found[(is_ahead, *_values(row, key))] = row

    def take(self, wanted: models.Model) -> models.Model | None:
        """The stored row of a wanted one, once."""
        return self._found.pop((_from(wanted) is not None, *_values(wanted, self._key)), None)

    def rest(self) -> list[int]:
        """Numbers of the rows that nobody wants."""
        return [*self._gone, *(row.pk for row in self._found.values())]


def _from(row: models.Model) -> int | None:
    begins: int | None = getattr(row, "shown_from", None)
    return begins


def _until(row: models.Model) -> int | None:
    ends: int | None = getattr(row, "shown_until", None)
    return ends


def _contents(model: type[models.Model]) -> list[str]:
    """The columns of a model that say something: not its number, nor in which editions it is shown."""
    names = [field.attname for field in model._meta.concrete_fields]
    return [name for name in names if name != "id" and name not in _MARKS]


def _values(row: models.Model, names: Sequence[str]) -> tuple[object, ...]:
    return tuple([getattr(row, name) for name in names])
