"""From a dispense in the records to a mail on a server: real scheduler, queue, worker and SMTP server."""

import contextlib
import os
import signal
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import redis

from clinic import processes, servers
from resupply import clock
from resupply.models import Heartbeat, Message, MessageReason, Patient
from tests.services.post_office import (
    Sink,
    dispense,
    make_overdue_patient,
    process_environment,
    start,
    wait_until,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.processes]


@pytest.fixture
def sink() -> Iterator[Sink]:
    """An SMTP server on this machine."""
    office = Sink()
    office.controller.start()
    yield office
    office.controller.stop()


@pytest.fixture
def queue(tmp_path: Path) -> Iterator[str]:
    """A Redis-compatible server of this test's own."""
    folder = tmp_path / "redis"
    yield servers.start_redis(folder, port=servers.free_port())
    servers.stop_redis(folder)


@pytest.fixture
def at_work(sink: Sink, queue: str, tmp_path: Path) -> Iterator[None]:
    """Scheduler and worker, as `make run` starts them, on this test's database."""
    shared = process_environment(folder=tmp_path, email_url=sink.url, redis_url=queue)
    running = [
        start(process.command, shared | process.environment, tmp_path / f"{process.name}.log")
        for process in (processes.WORKER, processes.BEAT)
    ]
    yield
    for process in running:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    for log in tmp_path.glob("*.log"):
        words = log.read_text()
        assert "Traceback" not in words, words[-3000:]
        assert "patients.example" not in words  # no address in any log


def sweeps_pass(count: int = 3) -> None:
    """Wait until heartbeats sent from now on have travelled the whole road, behind as many sweeps."""
    for _ in range(count):
        before = clock.now()
        wait_until(lambda since=before: Heartbeat.objects.filter(beat_at__gt=since).exists())


def next_step_is_due(patient: Patient) -> None:
    """Turn back what is on record by ten days: the mail of today becomes the one of the step before."""
    Message.objects.filter(patient=patient).update(day=clock.now().date() - timedelta(days=10))
    assert MessageReason.objects.filter(patient=patient, step="overdue_1").update(step="due") == 1


@pytest.mark.long
def test_who_is_due_gets_exactly_one_mail_and_after_the_dispense_none(
    sink: Sink, queue: str, at_work: None
) -> None:
    now = clock.now()
    refilled = make_overdue_patient("refilled@patients.example", now=now)
    waiting = make_overdue_patient("waiting@patients.example", now=now)
    silent = make_overdue_patient("silent@patients.example", now=now)
    silent.consents.all().update(granted=False)

    wait_until(lambda: len(sink.mails) >= 2)
    sweeps_pass()
    assert sorted(mail["To"] for mail in sink.mails) == [refilled.email, waiting.email]
    assert set(Message.objects.values_list("state", flat=True)) == {"sent"}

    dispense(refilled, now=now, on=now, quantity=1)
    next_step_is_due(refilled)
    next_step_is_due(waiting)
    wait_until(lambda: len(sink.sent_to(waiting)) == 2)
    sweeps_pass()
    assert len(sink.sent_to(refilled)) == 1
    assert len(sink.sent_to(waiting)) == 2
    assert len({mail["Message-ID"] for mail in sink.mails}) == 3


def test_an_emptied_queue_loses_nothing(sink: Sink, queue: str, at_work: None) -> None:
    """FLUSHALL, again and again, while patients become due: every one of them still gets the one mail."""
    broker = redis.Redis.from_url(queue)
    wait_until(Heartbeat.objects.exists)
    patients = []
    for number in range(5):
        patients.append(make_overdue_patient(f"p{number}@patients.example", now=clock.now()))
        for _ in range(20):
            broker.flushall()
    wait_until(lambda: len(sink.mails) >= 5)
    sweeps_pass()
    assert sorted(mail["To"] for mail in sink.mails) == [patient.email for patient in patients]
