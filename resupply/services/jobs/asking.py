"""What a person does with a job: ask for it, stop it, try it again. Each is one short transaction."""

from collections.abc import Collection, Iterator
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Job, JobPart, JobState
from resupply.services.errors import Refused
from resupply.services.jobs.kinds import Params

AT_WORK = (JobState.WAITING, JobState.RUNNING)


def ask(
    kind: str,
    params: Params,
    *,
    title: str,
    permission: str,
    by: AbstractBaseUser,
    now: datetime,
    location_ids: Collection[int] = (),
    back_url: str = "",
) -> Job:
    """Have a job done; inside a transaction it is seen by a worker once that commits.

    `params`: ids and ISO dates only, no patient data. `permission`: what one must have to see the job;
    `location_ids` (empty: all): where one must work. `title` is shown; `back_url` is the path its page leads
    back to.
    """
    return Job.objects.create(
        kind=kind,
        params=dict(params),
        title=title[:120],
        permission=permission,
        location_ids=sorted(location_ids),
        back_url=back_url,
        asked_at=now,
        asked_by_id=by.pk,
    )


def drop(job: Job, *, now: datetime) -> Job:
    """Stop a job, or throw the file of one that is done away. A worker that does it finds its claim gone at
    its next step; what it has committed stays.
    """
    with transaction.atomic():
        job = _locked(job)
        job.parts.all().delete()
        job.file_size = None
        if job.state != JobState.DONE:
            job.state, job.finished_at = JobState.DROPPED, now
        job.fence, job.leased_until, job.progress = job.fence + 1, None, {}
        job.save()
    return job


def try_again(job: Job) -> Job:
    """Go on with a job that stopped. Raises Refused `not_stopped`."""
    with transaction.atomic():
        job = _locked(job)
        if job.state != JobState.FAILED:
            raise Refused("not_stopped", "This job has not stopped. Look where it stands now.")
        job.state, job.attempts, job.outcome, job.finished_at = JobState.WAITING, 0, "", None
        job.fence, job.leased_until, job.progress = job.fence + 1, None, {}
        job.save()
    return job


def pieces(job: Job) -> Iterator[bytes]:
    """The file of a job, chunk by chunk."""
    parts = JobPart.objects.filter(job=job).order_by("position").values_list("position", flat=True)
    for position in list(parts):
        yield bytes(JobPart.objects.get(job=job, position=position).content)


def _locked(job: Job) -> Job:
    """The row as it is now, held until the transaction ends."""
    return Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
