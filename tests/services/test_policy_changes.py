"""Changes of policy: a preview equals what applying then does; nobody sees half of it; it may be cut off."""

import os
from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import (
    DraftState,
    JobState,
    LifeVersion,
    Patient,
    PatientStatus,
    PlanChecklist,
    PlanEdition,
    PlanLine,
    PolicyDraft,
    PolicyEffect,
    PolicyKind,
    PolicyRun,
    PolicyTotal,
    Subscription,
)
from resupply.queries import facts as facts_of
from resupply.queries.concerned import concerned
from resupply.queries.drafts import LEDGERS
from resupply.queries.plans import to_plan
from resupply.rules.chains import terms_of
from resupply.rules.cleaning import cleaning_tasks
from resupply.rules.effects import Change, work_of
from resupply.rules.lines import State, Terms, state_of
from resupply.rules.periods import Period, Unit
from resupply.services import feeds, plans, policies, policy_changes
from resupply.services.errors import Refused
from resupply.services.feeds import Options
from resupply.services.policy_changes import Wanted, applying
from resupply.services.policy_changes.previewing import preview_batch
from resupply.services.records import local_day
from tests.builders import NOW, TODAY, make_dispense, make_job
from tests.cast import Cast
from tests.services.test_no_stale_plan import rebuilt, stored
from tests.services.writes import World, Write, any_write

EXAMPLES = 500 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 12
CODES = ("A7032", "A7034", "A7037", "A7038", "A7046")


def draft_of(wanted: Wanted, **over: Any) -> PolicyDraft:
    return policy_changes.make(wanted, **({"by": None, "now": NOW} | over))


def life(count: int = 2, unit: str = "month", *, code: str = "A7032", on: date = TODAY) -> Wanted:
    values = {"part_code": code, "period_count": count, "period_unit": unit}
    return Wanted(kind=PolicyKind.LIFE, values=values, effective_from=on, reason="seen to last")


@st.composite
def wanted_by(draw: st.DrawFn, payers: list[Any], today: date) -> Wanted:
    """Any draft, of any kind that moves plans, begun long ago, lately, today or to begin."""
    kind = draw(st.sampled_from(sorted(LEDGERS)))
    period = {
        "period_count": draw(st.integers(1, 8)),
        "period_unit": draw(st.sampled_from(["week", "month"])),
    }
    code, payer = draw(st.sampled_from(CODES)), draw(st.sampled_from(payers))
    if kind == PolicyKind.LIFE:
        values: dict[str, Any] = {"part_code": code, **period}
    elif kind == PolicyKind.ALLOWANCE:
        values = {"part_code": code, "units": draw(st.integers(1, 4)), "at_once_periods": 1, **period}
    elif kind == PolicyKind.REFILL:
        late = draw(st.integers(0, 40))
        values = {"contact_lead_days": late + draw(st.integers(0, 40)), "delivery_lead_days": late}
    elif kind == PolicyKind.TERMS:
        values = {"gap_days": draw(st.integers(0, 60)), "target_count": draw(st.integers(1, 6))}
        values["target_unit"] = "month"
    else:
        task = draw(st.sampled_from(sorted(cleaning_tasks())))
        values = {"task": task, "frequency": draw(st.sampled_from(["", "daily", "weekly", "monthly"]))}
    days = draw(st.sampled_from([-400, -40, -3, 0, 20, 100]))
    return Wanted(
        kind=PolicyKind(kind),
        values=values,
        effective_from=today + timedelta(days=days),
        reason="as decided",
        payer=payer if kind in (PolicyKind.ALLOWANCE, PolicyKind.REFILL) else None,
    )


@pytest.mark.django_db
@given(writes=st.lists(any_write(), min_size=2, max_size=8), data=st.data())
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_preview_equals_what_applying_then_does(writes: list[Write], data: st.DataObject) -> None:
    """Every date of every row, every count of the totals: the former against the plans that stood, the latter
    against the plans stored afterwards, on the day the version begins.
    """
    with transaction.atomic():
        world = World.make()
        for write in writes:
            try:
                write(world)
            except Refused:
                continue
        wanted = data.draw(wanted_by(world.payers, world.today), label="draft")
        _check_against_plans(draft_of(wanted, now=world.now), world)
        transaction.set_rollback(True)


def _check_against_plans(draft: PolicyDraft, world: World) -> None:
    policy_changes.ask_preview(draft, by=None, now=world.now)
    policy_changes.preview(draft.pk)
    begins = max(draft.effective_from, world.today)
    later = datetime.combine(begins, time(8), UTC)  # that day in all zones of the world made here
    moment = later if begins > world.today else world.now
    with transaction.atomic():
        _bring_to(moment)
        before = _seen(moment, draft)
        transaction.set_rollback(True)
    draft.refresh_from_db()
    assert draft.state == DraftState.READY
    policy_changes.start(draft, by=None, now=world.now)
    while not policy_changes.work_on(draft.pk, now=lambda: world.now):
        pass
    assert stored() == rebuilt(world)
    _bring_to(moment)
    after = _seen(moment, draft)
    assert _previewed(draft) == _compared(before, after)
    for name, seen in (("before", before), ("after", after)):
        shown: Counter[str] = Counter()
        for total in PolicyTotal.objects.filter(draft=draft):
            shown.update(getattr(total, name))
        assert +shown == +seen["counts"], name


def _bring_to(now: datetime) -> None:
    """Plans as of a moment."""
    for _ in plans.rebuild_plans(now=now):
        pass


def _seen(moment: datetime, draft: PolicyDraft) -> dict[str, Any]:
    """The stored plans of patients on therapy: their dates; and in numbers, those whom the draft concerns."""
    touched = set(concerned(draft).values_list("pk", flat=True))
    counts: Counter[str] = Counter()
    lines: dict[tuple[int, str], tuple[Any, ...]] = {}
    rules = facts_of.policy()
    for patient in Patient.objects.filter(status=PatientStatus.ON_THERAPY):
        known = facts_of.patient_facts([patient.pk])[patient.pk]
        day = max(draft.effective_from, local_day(moment, patient.time_zone))
        questions: set[date] = set()
        for row in PlanLine.objects.filter(patient=patient):
            plan = to_plan(row)
            gap = Terms.of(known, rules, as_of=day).clinic.gap_days
            work = work_of(plan, terms_of(plan, known, rules, as_of=day), gap, as_of=day)
            questions |= work.questions
            state = state_of(plan, as_of=day)
            name = {State.OVERDUE: "overdue", State.DUE: "due", State.DELIVER: "ready", State.ASK: "ask"}
            if patient.pk in touched:
                counts.update({"lines": 1, "parts": work.parts, name.get(state, ""): 1})
            dates = (row.supply_ends_on, row.refill_on, row.ask_from, row.deliver_from)
            lines[patient.pk, row.kind] = (*dates, work.parts, state)
        counts["questions"] += len(questions) if patient.pk in touched else 0
    del counts[""]
    lists: dict[int, list[str]] = {}
    for row in PlanChecklist.objects.select_related("patient"):
        day = max(draft.effective_from, local_day(moment, row.patient.time_zone))
        if row.starts_on <= day and (row.ends_on is None or day < row.ends_on):
            lists.setdefault(row.patient_id, []).extend(f"{row.frequency}:{task}" for task in row.tasks)
    return {"lines": lines, "counts": counts, "lists": {pk: sorted(found) for pk, found in lists.items()}}


def _compared(before: dict[str, Any], after: dict[str, Any]) -> dict[Any, Any]:
    """What a preview has to say of two sets of stored plans."""
    rows: dict[Any, Any] = {}
    for key, was in before["lines"].items():
        becomes = after["lines"][key]
        if was[:5] != becomes[:5]:
            rows[key] = (was[:5], becomes[:5], _word(was, becomes))
    for pk in {*before["lists"], *after["lists"]}:
        if before["lists"].get(pk, []) != after["lists"].get(pk, []):
            rows[pk] = (before["lists"].get(pk, []), after["lists"].get(pk, []), Change.LISTS)
    return rows


def _word(was: tuple[Any, ...], becomes: tuple[Any, ...]) -> Change:
    """What happens to a line, told from its dates and states."""
    if was[:4] == becomes[:4]:
        return Change.PARTS
    for state, comes, goes in (
        (State.OVERDUE, Change.BECOMES_OVERDUE, Change.LEAVES_OVERDUE),
        (State.DUE, Change.BECOMES_DUE, Change.LEAVES_DUE),
    ):
        if (was[5] is state) != (becomes[5] is state):
            return comes if becomes[5] is state else goes
    order = [1, 0, 2, 3]
    return Change.SOONER if [becomes[n] for n in order] < [was[n] for n in order] else Change.LATER


def _previewed(draft: PolicyDraft) -> dict[Any, Any]:
    rows: dict[Any, Any] = {}
    for row in PolicyEffect.objects.filter(draft=draft):
        if row.kind:
            was = (row.supply_ends_before, row.refill_before, row.ask_before, row.deliver_before)
            becomes = (row.supply_ends_after, row.refill_after, row.ask_after, row.deliver_after)
            both = ((*was, row.parts_before), (*becomes, row.parts_after))
            rows[row.patient_id, row.kind] = (*both, row.change)
        else:
            rows[row.patient_id] = (row.lists_before, row.lists_after, row.change)
    return rows


@pytest.fixture
def clinic(cast: Cast) -> Cast:
    """Both patients got a cushion on 2026-03-01, worn on 04-01; their plans are stored."""
    for patient in (cast.odalys, cast.tevin):
        make_dispense(patient, on=date(2026, 3, 1), lines=[{}])
    plans.refresh_plans([cast.odalys.pk, cast.tevin.pk], now=NOW)
    return cast


def ends() -> list[date]:
    rows = PlanLine.objects.order_by("patient__reference")
    return list(rows.values_list("supply_ends_on", flat=True))


OLD, NEW = date(2026, 4, 1), date(2026, 5, 1)


@pytest.mark.django_db
def test_readers_see_the_old_plans_until_the_switch_and_the_new_ones_from_it_on(
    clinic: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In batches of one patient, with a dispense between them: every list shows all lines by one policy."""
    monkeypatch.setattr(applying, "BATCH", 1)
    calendar = feeds.subscribe(clinic.tevin, Options(), by=None, now=NOW).subscription
    feeds.render(calendar.pk, now=NOW)
    draft = draft_of(life())
    policy_changes.start(draft, by=None, now=NOW, unseen=True)
    assert applying.stage_batch(draft.pk, now=NOW)
    assert ends() == [OLD, OLD]
    plans.lock_patients([clinic.tevin.pk])  # a dispense between two batches is seen by both policies
    make_dispense(clinic.tevin, on=date(2026, 3, 10), lines=[{}])
    plans.refresh_plans([clinic.tevin.pk], now=NOW)
    assert ends() == [OLD, date(2026, 5, 1)]
    assert PlanLine.stored.count() == 4
    while applying.stage_batch(draft.pk, now=NOW):
        assert ends() == [OLD, date(2026, 5, 1)]
    assert not LifeVersion.objects.exists()
    assert applying.switch(draft.pk, now=NOW)
    assert ends() == [NEW, date(2026, 7, 1)]
    assert LifeVersion.objects.get().reason == "seen to last"
    feeds.render(calendar.pk, now=NOW)
    while not policy_changes.work_on(draft.pk, now=lambda: NOW):
        pass
    assert Subscription.objects.get().fresh_until is None, "calendars follow"
    assert (PlanLine.stored.count(), ends()) == (2, [NEW, date(2026, 7, 1)])
    assert set(PlanLine.stored.values_list("shown_from", "shown_until")) == {(None, None)}
    draft.refresh_from_db()
    assert (draft.state, draft.version_id) == (DraftState.APPLIED, LifeVersion.objects.get().pk)


@pytest.mark.django_db
def test_a_draft_that_is_given_up_leaves_nothing(clinic: Cast) -> None:
    before = stored()
    draft = draft_of(life())
    policy_changes.start(draft, by=None, now=NOW, unseen=True)
    applying.stage_batch(draft.pk, now=NOW)
    assert PlanLine.stored.count() == 4
    policy_changes.give_up(draft, by=None, now=NOW)
    assert policy_changes.work_on(draft.pk, now=lambda: NOW)
    assert (stored(), PlanLine.stored.count()) == (before, 2)
    assert not LifeVersion.objects.exists()
    policies.set_life("A7032", Period(2, Unit.MONTH), effective_from=TODAY, reason="", by=None, now=NOW)
    assert ends() == [NEW, NEW]


@pytest.mark.django_db
def test_one_change_is_applied_at_a_time_and_only_by_the_rules_that_were_previewed(clinic: Cast) -> None:
    first, second = draft_of(life()), draft_of(life(3))
    for draft in (first, second):
        policy_changes.ask_preview(draft, by=None, now=NOW)
        policy_changes.preview(draft.pk)
    policy_changes.start(first, by=None, now=NOW)
    assert refused(lambda: policy_changes.start(second, by=None, now=NOW)) == "busy"
    assert refused(lambda: policy_changes.drop(first, by=None, now=NOW)) == "not_open"
    policy_changes.work_on(first.pk, now=lambda: NOW)
    assert refused(lambda: policy_changes.start(second, by=None, now=NOW)) == "outdated"
    policy_changes.ask_preview(second, by=None, now=NOW)
    policy_changes.preview(second.pk)
    policy_changes.start(second, by=None, now=NOW)
    policy_changes.work_on(second.pk, now=lambda: NOW)
    assert ends() == [date(2026, 6, 1)] * 2
    assert refused(lambda: policy_changes.start(second, by=None, now=NOW)) == "not_open"


@pytest.mark.django_db
@pytest.mark.parametrize("given_up", [False, True])
def test_a_change_whose_job_stopped_keeps_no_other_waiting(clinic: Cast, given_up: bool) -> None:
    first = draft_of(life())
    job = make_job(clinic.manager.user, state=JobState.RUNNING)
    policy_changes.start(first, by=None, now=NOW, unseen=True)
    PolicyRun.objects.update(job=job)
    while applying.stage_batch(first.pk, now=NOW):
        pass
    if given_up:
        policy_changes.give_up(first, by=None, now=NOW)
    else:
        applying.switch(first.pk, now=NOW)
    assert not policy_changes.tidy_left(now=NOW), "its job is at it"
    job.state = JobState.DROPPED
    job.save()
    assert refused(lambda: policy_changes.start(draft_of(life(3)), by=None, now=NOW, unseen=True)) == "busy"
    while policy_changes.tidy_left(now=NOW):
        pass
    assert (PlanLine.stored.count(), ends()) == (2, [OLD, OLD] if given_up else [NEW, NEW])
    policy_changes.start(draft_of(life(3)), by=None, now=NOW, unseen=True)


@pytest.mark.django_db
def test_a_version_is_voided_by_a_draft_of_its_own(clinic: Cast) -> None:
    applied = draft_of(life())
    policy_changes.apply_now(applied, by=None, now=NOW)
    assert ends() == [NEW, NEW]
    void = policy_changes.make_void(
        PolicyKind.LIFE, applied.version_id or 0, reason="meant another code", by=None, now=NOW
    )
    policy_changes.ask_preview(void, by=None, now=NOW)
    policy_changes.preview(void.pk)
    row = PolicyEffect.objects.filter(draft=void).first()
    assert row is not None
    assert (row.supply_ends_before, row.supply_ends_after) == (NEW, OLD)
    policy_changes.apply_now(void, by=clinic.manager.user, now=NOW)
    version = LifeVersion.objects.get()
    assert (version.void_reason, version.voided_by) == ("meant another code", clinic.manager.user)
    assert ends() == [OLD, OLD]
    assert refused(
        lambda: policy_changes.make_void(PolicyKind.LIFE, version.pk, reason="x", by=None, now=NOW)
    ) == ("already_void")


@pytest.mark.django_db
def test_a_preview_writes_its_own_rows_and_nothing_else(clinic: Cast) -> None:
    before = stored()
    draft = draft_of(life())
    policy_changes.ask_preview(draft, by=None, now=NOW)
    policy_changes.preview(draft.pk)
    assert (stored(), PlanLine.stored.count(), PlanEdition.objects.count()) == (before, 2, 0)
    assert not LifeVersion.objects.exists()
    totals = PolicyTotal.objects.filter(draft=draft)
    assert [(row.changes["moved"], row.changes["later"], row.before["lines"]) for row in totals] == [
        (1, 1, 1)
    ] * 2
    policy_changes.revise(draft, life(3), by=None, now=NOW)
    assert not PolicyEffect.objects.exists()


@pytest.mark.parametrize("is_dropped", [True, False])
def test_a_draft_that_moved_on_amid_its_preview_stays_what_it_was_made(cast: Cast, is_dropped: bool) -> None:
    """The job that previews it may still be at work: it writes nothing more, and does not make it ready."""
    make_dispense(cast.odalys, on=TODAY - timedelta(days=20))
    draft = draft_of(life())
    policy_changes.ask_preview(draft, by=None, now=NOW)
    assert preview_batch(draft.pk)
    if is_dropped:
        policy_changes.drop(draft, by=None, now=NOW)
    else:
        policy_changes.revise(draft, life(3), by=None, now=NOW)
    policy_changes.preview(draft.pk)
    draft.refresh_from_db()
    assert draft.state == (DraftState.DROPPED if is_dropped else DraftState.DRAFT)
    assert not PolicyEffect.objects.exists()


def refused(write: Callable[[], object]) -> str:
    with pytest.raises(Refused) as found, transaction.atomic():
        write()
    return found.value.code
