"""A worker that dies or freezes in the middle of a write: the list is written once, and never half."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from resupply import clock
from resupply.models import Dispense, DispenseLine, ImportBatch, Upload, UploadState
from resupply.services import uploads
from resupply.services.uploads import Sent, working
from tests.builders import make_user
from tests.services.importing import DISPENSES, PATIENT
from tests.services.post_office import ROOT, process_environment, wait_until

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.processes]

STOPS_BEFORE_THE_END = """
import sys, time, django
django.setup()
from resupply import clock
from resupply.services.uploads import working
finish = working._finish_write
def stop(*args):
    print("all rows written, not committed", flush=True)
    time.sleep(float(sys.argv[1]))
    finish(*args)
working._finish_write = stop
working.work(now=clock.now())
print("done", flush=True)
"""


@pytest.fixture
def upload() -> Upload:
    """A list that is checked and waits to be written."""
    by = make_user()
    rows = "P1,2026-01-05,A7032,2,,yes,,,,\nP1,2026-01-05,A7034,1,,yes,,,,\n"
    files = {"patients.csv": PATIENT, "dispenses.csv": f"{DISPENSES}\n{rows}"}
    sent = [Sent(name, text.encode()) for name, text in files.items()]
    found = uploads.receive(sent, by=by, now=clock.now())
    assert uploads.work(now=clock.now())
    uploads.accept(found, by=by)
    return found


class Worker:
    """A process of its own that writes the list, and stops before it marks it as written."""

    def __init__(self, folder: Path, seconds: float) -> None:
        variables = process_environment(
            folder=folder, email_url="smtp://127.0.0.1:1", redis_url="redis://127.0.0.1:1/0"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-c", STOPS_BEFORE_THE_END, str(seconds)],
            cwd=ROOT,
            env=variables,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()


@pytest.fixture
def started() -> Iterator[list[Worker]]:
    """Workers, ended at the end whatever became of them."""
    workers: list[Worker] = []
    yield workers
    for worker in workers:
        worker.process.kill()
        worker.process.wait()


def lease_runs_out() -> None:
    """As if the time of the lease had passed."""
    assert Upload.objects.update(leased_until=clock.now() - timedelta(seconds=1)) == 1


def written() -> tuple[int, int, int]:
    return ImportBatch.objects.count(), Dispense.objects.count(), DispenseLine.objects.count()


def test_killed_before_its_end_a_write_leaves_nothing_and_is_done_again_once(
    upload: Upload, tmp_path: Path, started: list[Worker]
) -> None:
    started.append(Worker(tmp_path, 600))
    worker = started[0]
    assert worker.line() == "all rows written, not committed"
    wait_until(lambda: Upload.objects.get().progress.get("stage") == "plans", seconds=20)
    os.kill(worker.process.pid, signal.SIGKILL)
    worker.process.wait()
    assert written() == (0, 0, 0)
    assert Upload.objects.get().state == UploadState.WRITING
    assert not uploads.work(now=clock.now())  # its lease still holds: whoever has it may be alive
    lease_runs_out()
    assert uploads.work(now=clock.now())
    assert (Upload.objects.get().state, written()) == (UploadState.COMMITTED, (1, 1, 2))
    assert not uploads.work(now=clock.now())


def test_frozen_past_its_lease_a_worker_writes_nothing_when_it_wakes(
    upload: Upload, tmp_path: Path, started: list[Worker]
) -> None:
    started.append(Worker(tmp_path, 1))
    worker = started[0]
    assert worker.line() == "all rows written, not committed"
    os.kill(worker.process.pid, signal.SIGSTOP)
    lease_runs_out()
    held = working.claim(now=clock.now())  # another worker's claim; what it writes waits for the frozen one
    assert held is not None
    os.kill(worker.process.pid, signal.SIGCONT)
    assert worker.line() == "done"
    assert written() == (0, 0, 0)
    lease_runs_out()
    assert uploads.work(now=clock.now())
    assert (Upload.objects.get().state, written()) == (UploadState.COMMITTED, (1, 1, 2))
