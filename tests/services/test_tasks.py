"""Celery's doors, called as a worker calls them."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine

from resupply import clock, tasks
from resupply.models import Heartbeat, SupplyMonth
from tests.builders import make_location

pytestmark = pytest.mark.django_db


def test_a_heartbeat_moves_one_row_on() -> None:
    tasks.heartbeat()
    Heartbeat.objects.update(beat_at=clock.now() - timedelta(hours=1))
    before = clock.now()
    tasks.heartbeat()
    beat = Heartbeat.objects.get()
    assert before <= beat.beat_at <= clock.now()


def test_a_task_takes_no_more_than_keys_and_dates() -> None:
    """Arguments are kept by the broker and written to its logs: no patient data may travel there."""
    from inspect import signature

    for task in (
        *(tasks.sweep, tasks.deliver, tasks.export_feeds, tasks.import_uploads, tasks.work_jobs),
        tasks.keep_figures,
        tasks.heartbeat,
    ):
        for parameter in signature(task.run).parameters.values():
            assert parameter.annotation in {int, str}, (task.name, parameter)


@pytest.mark.parametrize(("cut_short", "rings"), [(True, 1), (False, 0)])
def test_post_that_ran_out_of_time_rings_again(
    cut_short: bool, rings: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rung: list[Any] = []
    monkeypatch.setattr(tasks.deliver, "apply_async", lambda **how: rung.append(how))
    monkeypatch.setattr(
        tasks.outbox, "deliver", lambda carrier, now: tasks.outbox.Delivered(3, is_cut_short=cut_short)
    )
    tasks.deliver()
    assert len(rung) == rings


def test_figures_that_fail_keep_no_reminder_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a sweep does before it rings for post is no more than post needs."""
    order: list[str] = []
    for name in ("deliver", "export_feeds", "keep_figures"):
        task = getattr(tasks, name)
        monkeypatch.setattr(task, "apply_async", lambda name=name, **how: order.append(name))

    def fails(**when: Any) -> None:
        raise RuntimeError("figures")

    monkeypatch.setattr(tasks.outlook, "keep_up", fails)
    monkeypatch.setattr(tasks.measures, "keep_month", fails)
    tasks.sweep()
    assert order == ["deliver", "export_feeds", "keep_figures"]


def test_a_month_ends_where_the_clinic_is() -> None:
    """18:00 on 31 March in Denver: no month has ended, whatever UTC says."""
    make_location(time_zone="America/Denver")
    with time_machine.travel(datetime(2026, 4, 1, 0, 0, tzinfo=UTC), tick=False):
        tasks.keep_figures()
        assert not SupplyMonth.objects.exists()
    with time_machine.travel(datetime(2026, 4, 1, 6, 0, tzinfo=UTC), tick=False):
        tasks.keep_figures()
    assert [row.month for row in SupplyMonth.objects.all()] == [date(2026, 3, 1)]
