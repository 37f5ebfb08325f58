"""Applying a draft: start, stage, switch, tidy. The package's text says why it is done so."""

from bisect import bisect_right
from collections.abc import Callable
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import DatabaseError, connection, transaction

from resupply.models import (
    DraftState,
    Patient,
    PlanEdition,
    PolicyDraft,
    PolicyRun,
    RunStep,
)
from resupply.queries.concerned import concerned
from resupply.queries.drafts import LEDGERS
from resupply.services import plan_rows, plans, versions
from resupply.services.errors import Refused
from resupply.services.jobs.asking import AT_WORK
from resupply.services.policy_changes.drafting import check_begins, locked
from resupply.services.policy_changes.previewing import basis_now
from resupply.services.records import local_day

LOCK_WAIT = 1500
"""Milliseconds for which start and switch ask for the policy's lock before they let others go on."""
BATCH = 100
"""Patients of a batch: fewer than of a rebuild; it works them out twice, and their edits wait for it."""
LOOKED_AT = 5_000
"""Patients that a batch of tidying looks through for those who have anything to tidy: usually few."""
Tell = Callable[[int, int], None]
"""Told how far the work is after each batch."""


def start(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime, unseen: bool = False) -> None:
    """Begin to apply a draft that was previewed (`unseen`: or was not). `work_on` goes on; what moves no plan
    is applied with this.

    Raises Refused: `not_open`, `outdated` (other rules have changed since the preview), `busy` (another
    change is being applied), `locked` (somebody writes for long; try again), `past` (terms of messages).
    """
    try:
        _start(draft, by=by, now=now, unseen=unseen)
    except DatabaseError as fault:
        if not _waited_too_long(fault):
            raise
        raise Refused("locked", "A long entry is being written just now. Try again in a minute.") from fault


def _start(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime, unseen: bool) -> None:
    states = (DraftState.READY, DraftState.DRAFT) if unseen else (DraftState.READY,)
    with transaction.atomic():
        _alone()
        edition, _ = PlanEdition.objects.select_for_update(of=("self",)).get_or_create(pk=1)
        moves_plans = draft.kind in LEDGERS
        if moves_plans and (edition.staged_id or edition.tidying_id):
            raise Refused(
                "busy",
                "Another change is being applied. Try again when it is done. If it has stopped, go on with "
                "it or give it up, on the page of its draft.",
            )
        draft = locked(draft, states)
        run, _ = PolicyRun.objects.get_or_create(draft=draft, defaults={"step": RunStep.STAGE})
        if not unseen and run.basis != basis_now(draft.kind):
            raise Refused("outdated", "Other rules have changed since the preview. Preview it again.")
        check_begins(draft.kind, draft.act, draft.effective_from, now=now)
        draft.decided_at, draft.decided_by_id = now, by.pk if by else None
        if moves_plans:
            _stage_first(draft, run, edition)
        else:
            draft.state, run.step = DraftState.APPLIED, RunStep.DONE
            draft.version_id = versions.realise(draft, by=by, now=now).pk
        draft.save()
        run.save()


def _stage_first(draft: PolicyDraft, run: PolicyRun, edition: PlanEdition) -> None:
    """Name the draft as the one that is staged from now on."""
    draft.state, draft.edition = DraftState.APPLYING, edition.number + 1
    edition.staged = draft
    edition.save()
    run.step, run.after, run.done, run.of = RunStep.STAGE, 0, 0, concerned(draft).count()


def work_on(draft_id: int, *, now: Callable[[], datetime], tell: Tell = lambda done, of: None) -> bool:
    """Go on with a draft that was started until nothing is left to do; False where the switch could not be
    made for somebody else's long entry: ask again later. Safe to cut off anywhere, and by two at once.

    `tell` is called after each committed batch, outside any transaction; what it raises ends the work there.
    """
    while True:
        run = PolicyRun.objects.get(draft=draft_id)
        if run.step == RunStep.STAGE:
            is_left = stage_batch(draft_id, now=now())
            if not is_left and not switch(draft_id, now=now()):
                return False
        elif run.step == RunStep.TIDY:
            tidy_batch(draft_id, now=now())
        else:
            return True
        run.refresh_from_db()
        tell(*_progress(run))


def apply_now(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """All of it, in this process: for a terminal, a test, a small clinic. Raises Refused as `start`."""
    start(draft, by=by, now=now, unseen=True)
    while not work_on(draft.pk, now=lambda: now):
        continue
    draft.refresh_from_db()


def tidy_left(*, now: datetime) -> bool:
    """Go on tidying up after a change whose job stopped, was dropped or never came to be: a change that is
    applied or given up must not keep the next one waiting. One batch; False where nothing is left so.
    """
    left = PolicyRun.objects.filter(step=RunStep.TIDY).exclude(job__state__in=AT_WORK).first()
    if left is None:
        return False
    tidy_batch(left.draft_id, now=now)
    return True


def stage_batch(draft_id: int, *, now: datetime) -> bool:
    """Work out the next patients' plans for the staged edition; False where none is left, or it is not being
    staged any more.
    """
    with transaction.atomic():
        plans.share_policy()
        run = _run(draft_id)
        if run.step != RunStep.STAGE:
            return False
        draft = PolicyDraft.objects.get(pk=draft_id)
        rows = concerned(draft).filter(pk__gt=run.after).order_by("pk")
        batch = list(rows.values_list("pk", flat=True)[:BATCH])
        if not batch:
            return False
        plans.lock_patients(batch)
        plan_rows.refresh(batch, today_of=lambda patient: local_day(now, patient.time_zone))
        run.after, run.done = batch[-1], run.done + len(batch)
        run.save(update_fields=["after", "done"])
    return True


def switch(draft_id: int, *, now: datetime) -> bool:
    """Show the staged edition to everybody, and put the version on record; False where it has to wait."""
    try:
        with transaction.atomic():
            _alone()
            run = _run(draft_id)
            draft = PolicyDraft.objects.select_related("payer", "decided_by").get(pk=draft_id)
            if run.step != RunStep.STAGE:
                return True
            if concerned(draft).filter(pk__gt=run.after).exists():
                return True  # new patients came in: they are staged already, but the batches go on
            version = versions.realise(draft, by=draft.decided_by, now=now)
            PlanEdition.objects.filter(pk=1).update(number=draft.edition, staged=None, tidying=draft)
            draft.state, draft.version_id, draft.decided_at = DraftState.APPLIED, version.pk, now
            draft.save()
            run.step, run.after, run.done, run.of = RunStep.TIDY, 0, 0, Patient.objects.count()
            run.save()
    except DatabaseError as fault:
        if not _waited_too_long(fault):
            raise
        return False
    return True


def give_up(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> PolicyDraft:
    """Stop applying a draft before the switch; `work_on` clears away what was staged. Raises Refused
    `not_open`, `locked`.
    """
    try:
        with transaction.atomic():
            _alone()
            draft = locked(draft, (DraftState.APPLYING,))
            PlanEdition.objects.filter(pk=1).update(staged=None, tidying=draft)
            draft.state = DraftState.DROPPED
            draft.decided_at, draft.decided_by_id = now, by.pk if by else None
            draft.save()
            PolicyRun.objects.filter(draft=draft).update(step=RunStep.TIDY, after=0, done=0)
    except DatabaseError as fault:
        if not _waited_too_long(fault):
            raise
        raise Refused("locked", "A long entry is being written just now. Try again in a minute.") from fault
    return draft


def tidy_batch(draft_id: int, *, now: datetime) -> None:
    """Clear away what is shown no more: of patients in a range of keys, in the order every writer locks."""
    with transaction.atomic():
        plans.share_policy()
        run = _run(draft_id)
        if run.step != RunStep.TIDY:
            return
        rows = Patient.objects.filter(pk__gt=run.after).order_by("pk")
        looked = list(rows.values_list("pk", flat=True)[:LOOKED_AT])
        if not looked:
            PlanEdition.objects.filter(pk=1, tidying=draft_id).update(tidying=None)
            run.step = RunStep.DONE
        else:
            batch = plan_rows.marked(looked[0], looked[-1], limit=BATCH)
            plans.lock_patients(batch)
            if PolicyDraft.objects.get(pk=draft_id).state == DraftState.APPLIED:
                plans.mark_calendars_stale(plan_rows.tidy(batch))
            else:
                plan_rows.refresh(batch, today_of=lambda patient: local_day(now, patient.time_zone))
            run.after = batch[-1] if len(batch) == BATCH else looked[-1]
            run.done += bisect_right(looked, run.after)
        run.save(update_fields=["step", "after", "done"])


def _run(draft_id: int) -> PolicyRun:
    """The run's row, held until the transaction ends: whoever holds it does the next batch."""
    return PolicyRun.objects.select_for_update(of=("self",)).get(draft=draft_id)


def _alone() -> None:
    """Hold the policy alone, or raise DatabaseError after `LOCK_WAIT`."""
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL lock_timeout = {LOCK_WAIT}")
        plans.lock_policy()
        cursor.execute("SET LOCAL lock_timeout = 0")


def _waited_too_long(fault: DatabaseError) -> bool:
    """Whether a statement gave up waiting for a lock (SQLSTATE 55P03)."""
    return getattr(fault.__cause__, "sqlstate", "") == "55P03"


def _progress(run: PolicyRun) -> tuple[int, int]:
    """So much of both halves: staging and tidying."""
    if run.step == RunStep.STAGE:
        return run.done, 2 * max(run.of, run.done)
    return run.of + run.done, 2 * max(run.of, run.done)
