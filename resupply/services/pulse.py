"""A worker's hold on an upload or a job: its claim, and the pulse that keeps the lease and shows progress.

The work itself may run in one long transaction that nobody else can look into. So a thread with a connection
of its own writes the progress and moves the lease on, as long as the claim is the newest. Killed, a worker
leaves a lease that ends soon; frozen, it finds its claim gone when it wakes, and stops without writing.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Event, Thread
from time import monotonic
from types import TracebackType
from typing import Self, TypeVar

from django.db import DatabaseError, connection, transaction
from django.db.models import Q, QuerySet

from resupply.models import Job, Upload

Work = TypeVar("Work", Upload, Job)

LEASE = timedelta(seconds=40)
"""How long after its last pulse a worker counts as dead."""
EVERY = 0.5
"""Seconds from pulse to pulse."""


class LeaseLost(Exception):  # noqa: N818 - reads as what happened
    """Somebody else holds the work now, or nobody is to."""


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to work on one row in a state, for as long as its fence is the row's."""

    row_id: int
    fence: int
    state: str
    of: type[Upload] | type[Job] = Upload

    def row(self) -> "QuerySet[Upload] | QuerySet[Job]":
        """The claimed row, if the claim is still the newest."""
        return self.of._default_manager.filter(pk=self.row_id, fence=self.fence, state=self.state)


def unheld(of: type[Work], states: Iterable[str], *, now: datetime) -> "QuerySet[Work]":
    """Rows in states with work to do that nobody holds: without a lease, or with one that has ended."""
    is_free = Q(leased_until=None) | Q(leased_until__lte=now)
    return of._default_manager.filter(is_free, state__in=list(states))


def take(of: type[Work], starts: Mapping[str, str], *, now: datetime, anew: bool = False) -> Claim | None:
    """Take the next row, unless one is being worked on; `starts`: what each state with work to do becomes. Of
    two at once, one gets it. `anew`: how far it had come is forgotten.

    The next is the oldest of those that had the fewest turns: what takes hours, or fails, lets the others by.
    """
    with transaction.atomic():
        if of._default_manager.filter(state__in=list(starts), leased_until__gt=now).exists():
            return None
        row = unheld(of, starts, now=now).order_by("fence", "id").select_for_update(skip_locked=True).first()
        if row is None:
            return None
        row.state = starts[row.state]
        row.fence, row.attempts, row.leased_until = row.fence + 1, row.attempts + 1, now + LEASE
        row.progress = {} if anew else row.progress
        row.save(update_fields=["state", "fence", "attempts", "leased_until", "progress"])
    return Claim(row.pk, row.fence, row.state, of)


class Pulse:
    """Runs while work is done: `with Pulse(claim, now=now) as pulse`, and `pulse.tell` to whoever works."""

    def __init__(self, held: Claim, *, now: datetime, every: float = EVERY) -> None:
        self._held, self._now, self._every = held, now, every
        self._started = monotonic()
        self._progress: dict[str, str | int] = {}
        self._is_lost = False
        self._stop = Event()
        self._thread = Thread(
            target=self._run, name=f"pulse of {held.of.__name__} {held.row_id}", daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()

    def moment(self) -> datetime:
        """The door's `now`, moved on by a clock that does not jump."""
        return self._now + timedelta(seconds=monotonic() - self._started)

    def tell(self, stage: str, done: int, of: int) -> None:
        """Take note of how far the work is. Raises LeaseLost where it is nobody's business any more."""
        self._progress = {"stage": stage, "done": done, "of": of}
        if self._is_lost:
            raise LeaseLost

    def _run(self) -> None:
        try:
            while not self._stop.wait(self._every):
                self._is_lost = not _survives(self._beat)
                if self._is_lost:
                    return
        finally:
            connection.close()

    def _beat(self) -> bool:
        now = self.moment()
        held = self._held.row().filter(leased_until__gt=now)
        return held.update(progress=self._progress, leased_until=now + LEASE) == 1


def _survives(beat: Callable[[], bool]) -> bool:
    """One pulse; a database that does not answer costs a pulse, not the claim: the lease decides."""
    try:
        return beat()
    except DatabaseError:
        connection.close()
        return True
