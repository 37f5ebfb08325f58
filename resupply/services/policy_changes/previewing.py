"""Previewing a draft: every plan it concerns, worked out by the rules as they are and as they would be.

Both by the code that makes the stored plans, from the same facts, as of the day the version begins (today,
where it has begun). Written are rows of the preview and its totals, nothing else, batch by batch; each batch
and its mark of progress are one transaction, so that it may be cut off anywhere and two workers take turns. A
preview mixes no two policies: where another rule is changed meanwhile it begins anew.
"""

import hashlib
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction

from resupply.models import (
    DraftState,
    Job,
    Patient,
    PatientStatus,
    PolicyDraft,
    PolicyEffect,
    PolicyRun,
    PolicyTotal,
    RunStep,
)
from resupply.queries import facts as fact_queries
from resupply.queries.concerned import concerned
from resupply.queries.draft_effects import other_effects
from resupply.queries.drafts import LEDGERS, change_of
from resupply.queries.facts import ClinicRules
from resupply.queries.payers import payers_on
from resupply.queries.standing_rules import mark_of
from resupply.rules.cleaning import checklists
from resupply.rules.effects import Change, LineEffect, PatientEffect, effect_on
from resupply.rules.facts import PatientFacts
from resupply.rules.lines import PatientPlan, plan_patient
from resupply.services.policy_changes.drafting import OPEN, clear_preview, locked
from resupply.services.records import clinic_zone, local_day

BATCH = 500
Tell = Callable[[int, int], None]


def basis_now(kind: str) -> int:
    """A fingerprint of the rules in force: a preview of a draft of this kind holds while it is the same."""
    rules = _fingerprint(fact_queries.clinic_rules())
    return rules if kind in LEDGERS else rules ^ mark_of(kind)


def ask_preview(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> PolicyDraft:
    """Begin the preview of a draft anew; `preview` goes on. Raises Refused `not_open`."""
    with transaction.atomic():
        draft = locked(draft, OPEN)
        draft.state = DraftState.PREVIEWING
        draft.save()
        clear_preview(draft)
        first = {
            "step": RunStep.PREVIEW,
            "after": 0,
            "done": 0,
            "basis": basis_now(draft.kind),
            "previewed_at": now,
        }
        as_of = max(draft.effective_from, local_day(now, clinic_zone()))
        counted = {"of": concerned(draft).count(), "as_of": as_of}
        PolicyRun.objects.update_or_create(draft=draft, defaults=first | counted)
    return draft


def hand_to_job(draft: PolicyDraft, job: Job) -> None:
    """Remember which job does the work, for the draft's page."""
    PolicyRun.objects.filter(draft=draft).update(job=job)


def preview(draft_id: int, *, tell: Tell = lambda done, of: None) -> None:
    """Go on with a preview until it is ready. Safe to cut off anywhere, and by two at once.

    `tell` is called after each committed batch; what it raises ends the work there.
    """
    while preview_batch(draft_id):
        done, of = PolicyRun.objects.values_list("done", "of").get(draft=draft_id)
        tell(done, max(done, of))


def preview_batch(draft_id: int) -> bool:
    """Work out the next patients; False where none is left, or it is not being previewed any more: a draft
    that was changed or dropped meanwhile stays what it was made.
    """
    with transaction.atomic():
        draft = PolicyDraft.objects.select_for_update(of=("self",)).select_related("payer").get(pk=draft_id)
        run = PolicyRun.objects.select_for_update().get(draft=draft)
        run.draft = draft
        if run.step != RunStep.PREVIEW or draft.state != DraftState.PREVIEWING:
            return False
        if run.basis != (basis := basis_now(run.draft.kind)):
            clear_preview(run.draft)
            run.basis, run.after, run.done = basis, 0, 0
        rows = concerned(run.draft).filter(pk__gt=run.after).order_by("pk")
        batch = list(rows.select_related(None)[:BATCH])
        if batch:
            on_therapy = [patient for patient in batch if patient.status == PatientStatus.ON_THERAPY]
            (_write if run.draft.kind in LEDGERS else _write_others)(run, on_therapy)
            run.after, run.done = batch[-1].pk, run.done + len(batch)
        else:
            run.step = RunStep.DONE
            PolicyDraft.objects.filter(pk=draft_id).update(state=DraftState.READY)
        run.save(update_fields=["step", "basis", "after", "done"])
    return bool(batch)


@dataclass(slots=True)
class _Sum:
    """Totals of one location and payer."""

    before: Counter[str]
    after: Counter[str]
    changes: Counter[str]


def _write(run: PolicyRun, batch: list[Patient]) -> None:
    if run.previewed_at is None:
        raise ValueError("a preview has begun at some moment")
    policies = (fact_queries.clinic_rules(), fact_queries.clinic_rules(change=change_of(run.draft)))
    known = fact_queries.patient_facts([patient.pk for patient in batch])
    rows: list[PolicyEffect] = []
    sums: dict[tuple[int, int | None], _Sum] = {}
    for patient in batch:
        as_of = max(run.draft.effective_from, local_day(run.previewed_at, patient.time_zone))
        found = _effect(patient, known[patient.pk], policies, as_of=as_of)
        payer = int(found.effect.payer) if found.effect.payer else None
        row = PolicyEffect(draft_id=run.draft_id, patient=patient, location_id=patient.location_id)
        mine = _rows(row, payer, found)
        rows += mine
        key = (patient.location_id, payer)
        if (total := sums.get(key)) is None:
            total = sums[key] = _Sum(Counter(), Counter(), Counter())
        total.before.update(asdict(found.effect.before))
        total.after.update(asdict(found.effect.after))
        total.changes.update(effect.change for effect in mine)
        moved = {effect.kind for effect in mine if effect.kind and effect.change != Change.PARTS}
        total.changes.update(moved=len(moved), patients=bool(mine))
    _copy(rows)
    _add(run.draft_id, sums)


def _write_others(run: PolicyRun, batch: list[Patient]) -> None:
    """The same for a draft that moves no plan: a row for each patient to whom something happens."""
    if run.previewed_at is None or run.as_of is None:
        raise ValueError("a preview has begun at some moment, for some day")
    people = {patient.pk: patient for patient in batch}
    payers = payers_on(batch, run.as_of)
    rows: list[PolicyEffect] = []
    sums: dict[tuple[int, int | None], _Sum] = {}
    today = local_day(run.previewed_at, clinic_zone())
    for found in other_effects(run.draft, batch, today=today, as_of=run.as_of):
        place, payer = people[found.patient_id].location_id, payers[found.patient_id]
        total = sums.setdefault((place, payer), _Sum(Counter(), Counter(), Counter()))
        total.before.update(found.counts[0])
        total.after.update(found.counts[1])
        if found.change is not None:
            total.changes.update([found.change.value, "moved"])
            row = PolicyEffect(draft_id=run.draft_id, patient_id=found.patient_id, location_id=place)
            row.payer_id, row.change = payer, found.change.value
            row.lists_before, row.lists_after = found.before, found.after
            rows.append(row)
    _copy(rows)
    _add(run.draft_id, sums)


@dataclass(frozen=True, slots=True)
class _Found:
    effect: PatientEffect
    lists: tuple[list[str], list[str]]


def _effect(
    patient: Patient, known: PatientFacts, policies: tuple[ClinicRules, ClinicRules], *, as_of: date
) -> _Found:
    before, after = policies
    one = plan_patient(known, before.policy, as_of=as_of)
    other = one if after.policy == before.policy else plan_patient(known, after.policy, as_of=as_of)
    effect = effect_on(known, (one, other), (before.policy, after.policy), as_of=as_of)
    return _Found(effect, (_lists(one, known, before, as_of=as_of), _lists(other, known, after, as_of=as_of)))


def _lists(plan: PatientPlan, known: PatientFacts, rules: ClinicRules, *, as_of: date) -> list[str]:
    """The cleaning tasks of a patient on a day, each with its list."""
    series = checklists(
        held=plan.held,
        held_since=plan.held_since,
        pauses=known.pauses,
        choices=rules.cleaning,
        as_of=as_of,
    )
    running = [row for row in series if row.starts_on <= as_of and (not row.ends_on or as_of < row.ends_on)]
    return sorted(f"{row.frequency.value}:{task}" for row in running for task in row.tasks)


def _rows(first: PolicyEffect, payer: int | None, found: _Found) -> list[PolicyEffect]:
    """Rows of a patient: one for each line to which something happens, one for the cleaning lists."""
    shared = {"draft_id": first.draft_id, "patient_id": first.patient_id, "payer_id": payer}
    shared["location_id"] = first.location_id
    rows = [PolicyEffect(**shared, **_line(line)) for line in found.effect.lines if line.change is not None]
    before, after = found.lists
    if before != after:
        lists = {"lists_before": before, "lists_after": after}
        rows.append(PolicyEffect(**shared, change=Change.LISTS.value, **lists))
    return rows


def _line(line: LineEffect) -> dict[str, object]:
    return {
        "kind": line.kind.value,
        "part_code": line.before.code,
        "change": line.change.value if line.change else "",
        "supply_ends_before": line.before.supply_ends_on,
        "supply_ends_after": line.after.supply_ends_on,
        "refill_before": line.before.refill_on,
        "refill_after": line.after.refill_on,
        "ask_before": line.before.ask_from,
        "ask_after": line.after.ask_from,
        "deliver_before": line.before.deliver_from,
        "deliver_after": line.after.deliver_from,
        "parts_before": line.parts_before,
        "parts_after": line.parts_after,
    }


_COLUMNS = [field for field in PolicyEffect._meta.concrete_fields if not field.primary_key]


def _copy(rows: list[PolicyEffect]) -> None:
    names = [field.attname for field in _COLUMNS]
    columns = ", ".join(f'"{field.column}"' for field in _COLUMNS)
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {PolicyEffect._meta.db_table} ({columns}) FROM STDIN") as copy,
    ):
        for row in rows:
            copy.write_row([getattr(row, name) for name in names])


def _add(draft_id: int, sums: dict[tuple[int, int | None], _Sum]) -> None:
    """Add a batch to the totals; the run's row is held, so nobody adds beside."""
    stored = {(row.location_id, row.payer_id): row for row in PolicyTotal.objects.filter(draft=draft_id)}
    for (location, payer), one in sums.items():
        row = stored.get((location, payer))
        if row is None:
            row = PolicyTotal(draft_id=draft_id, location_id=location, payer_id=payer)
        row.before = dict(Counter(row.before) + one.before)
        row.after = dict(Counter(row.after) + one.after)
        row.changes = dict(Counter(row.changes) + one.changes)
        row.save()


def _fingerprint(rules: ClinicRules) -> int:
    """31 bits of everything the rules say, in the order it is read in."""
    return int.from_bytes(hashlib.sha256(repr(rules).encode()).digest()[:4]) >> 1
