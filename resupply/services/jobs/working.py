"""The worker's side of jobs: claim one, do a slice of it, and leave it to the next or finish it.

1. A worker *claims* the oldest of the jobs that had the fewest turns; the claim raises the fence and leases
   the row. One job is worked on at a time, so that other work of the queue goes on beside it.
2. Its pulse moves the lease on. A worker that is killed leaves the job to the next, which goes on from where
   the last `keep` left it.
3. A slice that has lasted `SLICE` ends with the next `keep`; the job waits again, behind mail and jobs that
   came in meanwhile. Whatever is kept or finished is written only with the newest fence.

What fails `MOST_ATTEMPTS` times in a row without getting on is stopped and shown. Files go after `KEPT`.
"""

import logging
from collections.abc import Iterable
from datetime import datetime, timedelta

from django.db import connection, transaction
from django.db.models import F, Max, Sum
from django.db.models.functions import Length

from resupply.models import Job, JobPart, JobState, ReadKind, noticing
from resupply.services.errors import Refused
from resupply.services.jobs.asking import AT_WORK
from resupply.services.jobs.kinds import JobFile, Params, Progress, run_of
from resupply.services.pulse import Claim, LeaseLost, Pulse, take, unheld
from resupply.services.reads import log_read

log = logging.getLogger(__name__)

MOST_ATTEMPTS = 3
_STARTS: dict[str, str] = dict.fromkeys(AT_WORK, JobState.RUNNING)
SLICE = timedelta(seconds=20)
"""How long one worker stays at a job before other work has its turn."""
KEPT = timedelta(days=14)
"""How long a file is kept: it holds patients' data."""
STOPPED = "The work broke off several times. Try again; what was done so far is kept."


class SliceOver(Exception):  # noqa: N818 - reads as what happened
    """The job goes on in another slice."""


def work(*, now: datetime) -> bool:
    """Do a slice of one job; False where none is to be worked on. Safe to run twice or by two at once."""
    settle(now=now)
    held = claim(now=now)
    if held is None:
        return False
    with Pulse(held, now=now) as pulse:
        try:
            try:
                _do(held, pulse)
            except Refused as refusal:
                _end(held, JobState.FAILED, pulse.moment(), outcome=refusal.message[:300])
        except SliceOver:
            held.row().update(state=JobState.WAITING, leased_until=None, attempts=0)
        except LeaseLost:
            log.warning("job %s: its claim was lost", held.row_id)
        except (
            Exception
        ) as error:  # it must not stop other work; the text of an error may hold patients' data
            log.error("job %s: %s", held.row_id, type(error).__name__)
            held.row().update(leased_until=None)
    return True


def settle(*, now: datetime) -> None:
    """Stop what failed with every attempt, and empty files that are old."""
    unheld(Job, AT_WORK, now=now).filter(attempts__gte=MOST_ATTEMPTS).update(
        state=JobState.FAILED, leased_until=None, outcome=STOPPED, finished_at=now
    )
    old = Job.objects.filter(finished_at__lte=now - KEPT)
    JobPart.objects.filter(job__in=old).delete()
    old.filter(file_size__isnull=False).update(file_size=None)


def claim(*, now: datetime) -> Claim | None:
    """Take the next job (`pulse.take`), unless one is being worked on."""
    return take(Job, _STARTS, now=now)


class _Held(Progress):
    """Progress of a job under a claim: kept in the database, and only with the newest fence."""

    def __init__(self, held: Claim, pulse: Pulse, left_at: Params) -> None:
        super().__init__(left_at)
        self._claim, self._pulse = held, pulse
        self._until = pulse.moment() + SLICE
        last = JobPart.objects.filter(job_id=held.row_id).aggregate(last=Max("position"))["last"]
        self._next = 0 if last is None else last + 1

    def __call__(self, done: int, of: int) -> None:
        self.told = (done, of)
        self._pulse.tell("", done, of)

    def keep(self, left_at: Params, chunk: bytes = b"") -> None:
        with transaction.atomic():
            self._add(chunk)
            got_on: dict[str, object] = {"left_at": dict(left_at), "attempts": 0}
            if self._claim.row().update(**got_on) != 1:
                raise LeaseLost
        self.left_at = left_at
        if self._pulse.moment() >= self._until and not connection.in_atomic_block:
            raise SliceOver

    def kept(self) -> Iterable[bytes]:
        parts = JobPart.objects.filter(job_id=self._claim.row_id).order_by("position")
        for position in range(self._next):
            yield bytes(parts.get(position=position).content)

    def finish(self, file: JobFile | None, moment: datetime) -> None:
        """Write the rest of the file and the end of the job, all at once."""
        with transaction.atomic():
            if file is not None and file.instead:
                JobPart.objects.filter(job_id=self._claim.row_id).delete()
                self._next = 0
            for chunk in file.chunks if file else ():
                self._add(chunk)
            sizes = JobPart.objects.filter(job_id=self._claim.row_id).aggregate(size=Sum(Length("content")))
            _end(
                self._claim,
                JobState.DONE,
                moment,
                outcome=self.outcome[:300],
                file_name=file.name[:120] if file else "",
                file_type=file.type if file else "",
                file_size=(sizes["size"] or 0) if file else None,
            )

    def _add(self, chunk: bytes) -> None:
        if chunk:
            JobPart.objects.create(job_id=self._claim.row_id, position=self._next, content=chunk)
            self._next += 1


def _do(held: Claim, pulse: Pulse) -> None:
    """Run the job's kind from where it was left."""
    job = Job.objects.select_related("asked_by").get(pk=held.row_id)
    progress = _Held(held, pulse, job.left_at)
    seen: set[int] = set()
    try:
        with noticing(seen):
            file = run_of(job.kind)(job.params, progress, now=pulse.moment())
            progress.finish(file, pulse.moment())
    finally:
        _log_read(job, seen, pulse.moment())


def _log_read(job: Job, seen: set[int], moment: datetime) -> None:
    """Whose records went into a file: shown to who asked for it, whenever it is fetched."""
    if seen and JobPart.objects.filter(job=job).exists():
        log_read(job.asked_by, seen, f"job: {job.kind}", now=moment, kind=ReadKind.FILE)


def _end(held: Claim, state: JobState, moment: datetime, **what: object) -> None:
    """Write how a job ended. Raises LeaseLost where the claim is not the newest."""
    ended = {"state": state, "finished_at": moment, "leased_until": None, "progress": {}, **what}
    if held.row().update(**ended, fence=F("fence") + 1) != 1:
        raise LeaseLost
