"""Claims on uploads: one worker at a time, a lease kept by a pulse, and what a worker that lost it may do."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import TypeVar

import pytest
from django.db import connection, transaction

from clinic.accounts.models import User
from resupply.models import (
    Upload,
    UploadState,
)
from resupply.services import uploads
from resupply.services.pulse import LEASE, Claim, LeaseLost, Pulse
from resupply.services.uploads import working
from tests.builders import NOW, make_user
from tests.services.importing import on_record
from tests.services.post_office import wait_until
from tests.services.uploading import now, send_bad, send_good

T = TypeVar("T")
pytestmark = pytest.mark.django_db(transaction=True)  # the pulse looks in from a connection of its own
LATER = NOW + LEASE + timedelta(seconds=1)


@pytest.fixture
def manager() -> User:
    return make_user(username="marta")


def test_a_claim_holds_until_its_lease_ends_and_a_later_one_takes_over(manager: User) -> None:
    upload = send_good(manager)
    first = working.claim(now=NOW)
    assert first is not None
    assert working.claim(now=NOW) is None
    second = working.claim(now=LATER)
    assert second is not None
    assert (second.fence, now(upload).attempts) == (first.fence + 1, 2)


def test_two_workers_take_one_upload_once_and_one_works_at_a_time(manager: User) -> None:
    first, second = send_good(manager), send_good(manager)
    with transaction.atomic():
        Upload.objects.select_for_update().get(pk=first.pk)
        held = _elsewhere(lambda: working.claim(now=NOW))
        assert held is not None
        assert held.row_id == second.pk  # it does not wait for a row that another is taking
    assert working.claim(now=NOW) is None


def test_a_worker_that_woke_too_late_writes_nothing(manager: User) -> None:
    upload = send_good(manager)
    uploads.work(now=NOW)
    uploads.accept(upload, by=manager)
    slept = working.claim(now=NOW)
    assert slept is not None
    assert uploads.work(now=LATER)
    assert now(upload).state == UploadState.COMMITTED
    before = on_record()
    with Pulse(slept, now=NOW) as pulse, pytest.raises(LeaseLost):
        working._do(slept, pulse)
    assert on_record() == before
    assert now(upload).state == UploadState.COMMITTED


def test_given_up_while_it_is_checked_the_check_leaves_nothing(manager: User) -> None:
    upload = send_bad(manager)
    held = working.claim(now=NOW)
    assert held is not None
    uploads.give_up(upload)
    with Pulse(held, now=NOW) as pulse, pytest.raises((LeaseLost, StopIteration)):
        working._do(held, pulse)
    assert now(upload).state == UploadState.DROPPED
    assert not upload.problems.exists()


def test_the_pulse_shows_progress_and_keeps_the_lease(manager: User) -> None:
    """Seen from outside, while the work's own transaction is open."""
    upload = send_good(manager)
    held = working.claim(now=NOW)
    assert held is not None
    with transaction.atomic(), Pulse(held, now=NOW, every=0.01) as pulse:
        pulse.tell("check", 3, 10)
        wait_until(lambda: now(upload).progress.get("done") == 3)
        lease = now(upload).leased_until
        assert lease is not None
        wait_until(lambda: (now(upload).leased_until or lease) > lease)
    Upload.objects.update(fence=held.fence + 1)
    with Pulse(held, now=NOW, every=0.01) as pulse, pytest.raises(LeaseLost):
        wait_until(lambda: pulse.tell("check", 4, 10))


def test_work_that_breaks_off_is_tried_again_and_stopped_at_last(
    manager: User, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    upload = send_good(manager)

    def break_off(held: Claim, pulse: Pulse) -> None:
        raise ValueError("Odalys Brandt")

    with monkeypatch.context() as patch:
        patch.setattr(working, "_do", break_off)
        for attempt in range(1, working.MOST_ATTEMPTS + 1):
            assert uploads.work(now=NOW)
            assert (now(upload).attempts, now(upload).leased_until) == (attempt, None)
        assert not uploads.work(now=NOW)
    assert now(upload).state == UploadState.FAILED
    assert "ValueError" in caplog.text
    assert "Odalys" not in caplog.text
    uploads.try_again(upload)
    uploads.work(now=NOW)
    assert now(upload).state == UploadState.CHECKED


def _elsewhere(act: Callable[[], T]) -> T:
    """What something returns in a thread, on a connection of its own."""

    def run() -> T:
        try:
            return act()
        finally:
            connection.close()

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(run).result()
