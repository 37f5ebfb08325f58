"""Rows of plans: worked out from facts and policy, and written where they differ from what is stored.

While a change of policy is staged (`services.policy_changes`), a patient's plan is worked out twice, by the
policy in force and by the one to come, and what differs stands twice: the present row until the staged
edition, the other from it on. So whoever refreshes a plan in that time keeps both right.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from operator import attrgetter
from typing import Any

from django.db import connection

from resupply.models import Patient, PatientStatus, PlanChecklist, PlanLine, PlanState
from resupply.queries import facts as fact_queries
from resupply.queries.drafts import change_of
from resupply.queries.facts import ClinicRules
from resupply.queries.kept_rules import rules_in_force
from resupply.queries.planned import Planned, Stored, planned, row_type, stored_rows
from resupply.rules import cleaning
from resupply.rules.facts import PatientFacts
from resupply.rules.lines import LinePlan, PatientPlan, plan_patient
from resupply.services.plan_writing import Wanted, store
from resupply.services.standing import settle_read

LINE_KEY = ("patient_id", "kind")
CHECKLIST_KEY = ("patient_id", "frequency", "starts_on")
_Line, _Checklist, _State = map(row_type, (PlanLine, PlanChecklist, PlanState))


@dataclass(slots=True)
class PlanRows:
    """One patient's rows by one policy."""

    lines: list[Wanted]
    checklists: list[Wanted]
    valid_until: date | None


def refresh(patient_ids: Sequence[int], *, today_of: Callable[[Patient], date]) -> int:
    """Work out these patients' plans and write what differs, under their locks; returns the rows written.

    Five queries, one more where the clinic's rules changed, and one for each table that changes.
    """
    found = planned(patient_ids)
    if not found:
        return 0
    some = next(iter(found.values()))
    present = some.editions
    rules, draft = rules_in_force(some.rules_digest), present.draft()
    ahead = fact_queries.clinic_rules(change=change_of(draft)) if draft else None
    settle_read((pk, one.unused_yeses, one.stored_yeses) for pk, one in found.items())
    known = fact_queries.patient_facts(patient_ids)
    lines: list[Wanted] = []
    checklists: list[Wanted] = []
    states: list[Wanted] = []
    for pk, one in found.items():
        as_of = today_of(one.patient)
        now = rows_of(one.patient, known[pk], rules, as_of=as_of)
        state = _State(patient_id=pk, valid_until=now.valid_until, staged_for=None, staged_until=None)
        if ahead is not None and present.staged is not None:
            then = rows_of(one.patient, known[pk], ahead, as_of=as_of)
            now.lines = _both(now.lines, then.lines, _LINE_KEY, present.staged)
            now.checklists = _both(now.checklists, then.checklists, _CHECKLIST_KEY, present.staged)
            state = _holding_both(state, then.valid_until, present.staged)
        lines += now.lines
        checklists += now.checklists
        states.append(Wanted(state))
    return (
        store(lines, stored_rows(PlanLine, patient_ids), LINE_KEY, present, model=PlanLine)
        + store(
            checklists,
            stored_rows(PlanChecklist, patient_ids),
            CHECKLIST_KEY,
            present,
            model=PlanChecklist,
        )
        + store(states, _states(found), ("patient_id",), present, model=PlanState)
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


_MARKED = """
    SELECT patient_id FROM resupply_planline WHERE patient_id BETWEEN %(first)s AND %(last)s
        AND (shown_from IS NOT NULL OR shown_until IS NOT NULL)
    UNION SELECT patient_id FROM resupply_planchecklist WHERE patient_id BETWEEN %(first)s AND %(last)s
        AND (shown_from IS NOT NULL OR shown_until IS NOT NULL)
    UNION SELECT patient_id FROM resupply_planstate WHERE patient_id BETWEEN %(first)s AND %(last)s
        AND staged_for IS NOT NULL
    ORDER BY 1 LIMIT %(limit)s"""


def marked(first: int, last: int, *, limit: int) -> list[int]:
    """Patients in a range of numbers whose rows say from which edition, or until which, they are shown.

    Once no edition is staged nobody gains such marks, so without locks: who lost them meanwhile needs none.
    """
    with connection.cursor() as cursor:
        cursor.execute(_MARKED, {"first": first, "last": last, "limit": limit})
        return [patient for (patient,) in cursor.fetchall()]


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


_LINE_KEY = attrgetter(*(f"says.{name}" for name in LINE_KEY))
_CHECKLIST_KEY = attrgetter(*(f"says.{name}" for name in CHECKLIST_KEY))


def _both(
    now: Sequence[Wanted], then: Sequence[Wanted], key: Callable[[Wanted], object], staged: int
) -> list[Wanted]:
    """The rows of two policies: what is equal once, what differs until and from the staged edition."""
    ahead = {key(row): row for row in then}
    rows: list[Wanted] = []
    for row in now:
        twin = ahead.pop(key(row), None)
        rows.append(row)
        if twin is not None and twin.says == row.says:
            continue
        row.until = staged
        if twin is not None:
            twin.begins = staged
            rows.append(twin)
    for row in ahead.values():
        row.begins = staged
        rows.append(row)
    return rows


def _holding_both(state: Any, then: date | None, staged: int) -> Any:
    """Until the switch the earlier day counts, so that neither plan is left behind."""
    if then == state.valid_until:
        return state
    earlier = min((day for day in (then, state.valid_until) if day), default=None)
    return state._replace(valid_until=earlier, staged_for=staged, staged_until=then)


def _states(found: Mapping[int, Planned]) -> list[Stored]:
    """Stored states as `store` takes them; a new patient has none yet."""
    return [(pk, None, None, one.state) for pk, one in found.items() if one.state is not None]


def _line_row(patient: Patient, plan: PatientPlan, line: LinePlan) -> Wanted:
    period = line.allowance_period
    says = _Line(
        patient_id=patient.pk,
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
    return Wanted(says)


def _checklist_rows(
    patient: Patient, plan: PatientPlan, known: PatientFacts, rules: ClinicRules, *, as_of: date
) -> list[Wanted]:
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
        Wanted(
            _Checklist(
                patient_id=patient.pk,
                frequency=checklist.frequency.value,
                starts_on=checklist.starts_on,
                ends_on=checklist.ends_on,
                tasks=list(checklist.tasks),
            )
        )
        for checklist in series
    ]
