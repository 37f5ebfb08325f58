"""The short form: three faults at reminders on their way, with the real scheduler and two real workers.

`make test-faults` strikes at every point and breaks every server, with thousands of reminders.
"""

import time
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from resupply.models import Message, MessageState
from tests.faults.office import Office, wait_until
from tests.faults.people import Crowd
from tests.faults.reckoning import Count, reckon
from tests.faults.stand import LEASE, MAIL_TIME, Stand

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.processes]
DIVISOR = 24.0  # a lease of five seconds, a sweep every two and a half


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    """Two workers and a scheduler, a queue and a mail server."""
    office = Office(random=Random(5), sleep=MAIL_TIME / DIVISOR)
    one = Stand(tmp_path, office, divisor=DIVISOR)
    yield one
    one.close()
    office.close()
    for log in tmp_path.glob("*.log"):
        assert "patients.example" not in log.read_text()  # no address in any log


def drain(*crowds: Crowd) -> None:
    """Wait until every message is closed, and everybody who is due has one."""
    due = sum(crowd.counted(kind) for crowd in crowds for kind in ("due", "unknown"))
    unfinished = Message.objects.filter(state__in=[MessageState.WAITING, MessageState.SENDING])
    ours = Message.objects.filter(patient__reference__regex="^(due|unknown)-")
    wait_until(lambda: ours.count() == due and not unfinished.exists(), "everything is sent or closed")


@pytest.mark.long
def test_nothing_is_lost_and_a_fault_costs_at_most_one_copy(stand: Stand) -> None:
    killed, frozen, flushed = (
        Crowd(name, Random(number)) for number, name in enumerate(("killed", "frozen", "flushed"))
    )
    stand.have(workers=2, beats=1)

    killed.commit(killed.kinds(12))
    stand.strike("taken", "kill child")  # between the server's yes and our mark
    frozen.commit(frozen.kinds(12))
    asleep = stand.strike("taken", "freeze")
    frozen_at = time.monotonic()
    flushed.commit(flushed.kinds(12))
    for crowd in (killed, frozen, flushed):
        crowd.turn()

    def flush_until_sent() -> bool:
        stand.flush()
        return (
            len({one.address for one in stand.office.taken if one.address.startswith(f"due-{flushed.mark}-")})
            == 9
        )

    assert flushed.counted("due") == 9
    wait_until(flush_until_sent, "everybody got a mail from under an emptied queue")
    drain(killed, frozen, flushed)
    assert time.monotonic() - frozen_at > stand.scaled(LEASE)
    before = list(Message.objects.order_by("pk").values())
    woken = time.time()
    stand.wake(asleep)
    assert "marked refused" in stand.refused(asleep, since=woken)
    stand.heartbeat_returns()
    assert list(Message.objects.order_by("pk").values()) == before

    counts = [of(crowd, stand) for crowd in (killed, frozen, flushed)]
    assert [problem for count in counts for problem in count.problems(may_double=True)] == []
    assert [count.duplicates for count in counts] == [1, 1, 0]
    assert [count.reminders for count in counts] == [12, 12, 12]


def of(crowd: Crowd, stand: Stand) -> Count:
    """What became of a crowd."""
    return reckon(crowd, stand.office.taken, stand.rows("passed"))
