"""Changes of policy with two workers, killed midway, and with the desk at work; on a real PostgreSQL."""

import threading
import time
from datetime import date, timedelta

import pytest
from django.db import transaction

from resupply.models import DraftState, LifeVersion, Patient, PlanEdition, PlanLine, PolicyDraft, PolicyEffect
from resupply.services import plans, policy_changes
from resupply.services.policy_changes import applying, previewing
from tests import builders
from tests.builders import NOW, make_dispense
from tests.cast import Cast
from tests.services.test_no_stale_plan import stored
from tests.services.test_policy_changes import draft_of, life
from tests.services.test_policy_races import in_thread

pytestmark = pytest.mark.django_db(transaction=True)
MANY = 12


class WorkerDiedError(Exception):
    """What a worker dies of in a test."""


@pytest.fixture
def patients(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> list[Patient]:
    """Some patients with a cushion each, and batches of two."""
    monkeypatch.setattr(applying, "BATCH", 2)
    monkeypatch.setattr(previewing, "BATCH", 2)
    found = [builders.make_patient(location=cast.north) for _ in range(MANY)]
    for patient in found:
        make_dispense(patient, on=date(2026, 3, 1), lines=[{}])
    plans.refresh_plans([cast.odalys.pk, cast.tevin.pk, *(patient.pk for patient in found)], now=NOW)
    return found


def go_on(draft: PolicyDraft) -> None:
    while not policy_changes.work_on(draft.pk, now=lambda: NOW):
        pass


def give(patient: Patient, day: int) -> None:
    """What the desk does: lock, record, refresh."""
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        make_dispense(patient, on=date(2026, 3, 1) + timedelta(day), lines=[{}])
        plans.refresh_plans([patient.pk], now=NOW)


def is_right() -> None:
    """The stored plans are those of a rebuild, nothing of an old or a staged edition is left."""
    before = stored()
    for _ in plans.rebuild_plans(now=NOW):
        pass
    assert stored() == before
    assert PlanLine.stored.count() == PlanLine.objects.count()
    edition = PlanEdition.objects.get()
    assert (edition.staged, edition.tidying) == (None, None)


def test_two_workers_and_a_busy_desk_apply_one_change_once(patients: list[Patient]) -> None:
    """Every list read meanwhile shows all patients who were not given anything by one policy."""
    draft = draft_of(life())
    policy_changes.start(draft, by=None, now=NOW, unseen=True)
    quiet = [patient.pk for patient in patients[: MANY // 2]]
    seen: set[frozenset[date]] = set()
    is_over = threading.Event()

    def read() -> None:
        rows = PlanLine.objects.filter(patient__in=quiet).order_by()
        while not is_over.is_set():
            found = list(rows.values_list("supply_ends_on", flat=True))
            assert len(found) == len(quiet)
            seen.add(frozenset(found))

    reader = in_thread(read)
    desk = in_thread(lambda: [give(patient, day) for day, patient in enumerate(patients[MANY // 2 :])])
    workers = [in_thread(lambda: go_on(draft)) for _ in range(2)]
    for thread in (*workers, desk):
        thread.join(30)
    is_over.set()
    reader.join(10)
    assert seen <= {frozenset({date(2026, 4, 1)}), frozenset({date(2026, 5, 1)})}
    now = PlanLine.objects.filter(patient__in=quiet).values_list("supply_ends_on", flat=True)
    assert set(now) == {date(2026, 5, 1)}
    assert LifeVersion.objects.count() == 1
    is_right()


@pytest.mark.parametrize("batches", [1, 3, MANY // 2 + 2, MANY // 2 + 4])
def test_killed_after_some_batches_the_next_worker_goes_on(patients: list[Patient], batches: int) -> None:
    told: list[int] = []

    def die(done: int, of: int) -> None:
        told.append(done)
        if len(told) == batches:
            raise WorkerDiedError

    draft = draft_of(life())
    policy_changes.start(draft, by=None, now=NOW, unseen=True)
    with pytest.raises(WorkerDiedError):
        policy_changes.work_on(draft.pk, now=lambda: NOW, tell=die)
    give(patients[0], 5)
    give(patients[-1], 5)
    go_on(draft)
    assert LifeVersion.objects.count() == 1
    is_right()
    go_on(draft)
    assert LifeVersion.objects.count() == 1


def test_a_preview_by_two_workers_counts_each_patient_once(patients: list[Patient]) -> None:
    draft = draft_of(life())
    policy_changes.ask_preview(draft, by=None, now=NOW)
    assert previewing.preview_batch(draft.pk)
    workers = [in_thread(lambda: policy_changes.preview(draft.pk)) for _ in range(2)]
    for worker in workers:
        worker.join(30)
    draft.refresh_from_db()
    assert draft.state == DraftState.READY
    assert PolicyEffect.objects.filter(draft=draft).count() == MANY
    assert sum(total.changes["moved"] for total in draft.totals.all()) == MANY


def test_the_switch_lets_others_go_on_where_somebody_writes_for_long(
    patients: list[Patient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(applying, "LOCK_WAIT", 200)
    draft = draft_of(life())
    policy_changes.start(draft, by=None, now=NOW, unseen=True)
    while applying.stage_batch(draft.pk, now=NOW):
        pass
    answers: list[bool] = []
    with transaction.atomic():
        plans.lock_patients([patients[0].pk])
        switching = in_thread(lambda: answers.append(applying.switch(draft.pk, now=NOW)))
        began = time.monotonic()
        desk = in_thread(lambda: give(patients[1], 5))
        desk.join(5)
        assert time.monotonic() - began < 2, "an edit does not wait for who keeps the switch waiting"
        switching.join(5)
        assert answers == [False]
    go_on(draft)
    is_right()
