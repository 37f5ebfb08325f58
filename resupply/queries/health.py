"""How the machinery is: what the health addresses, the metrics and the status page say.

`ready` is asked every few seconds: it reads what waits or has gone wrong, and else one row by an index. The
rest reads few rows besides: of backups, of jobs of the last week, the newest number of each sealed table.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache

from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.models import Count, Min, Q

from resupply.models import (
    Backup,
    Heartbeat,
    HistoryMark,
    HistorySeal,
    Job,
    JobState,
    Message,
    MessageState,
)
from resupply.queries import seal_rows
from resupply.queries.failures import gone_wrong
from resupply.rules.health import Facts


@dataclass(frozen=True, slots=True)
class Outbox:
    """Messages on their way. `due`: could go out now; `again`: were tried and did not go out yet.

    `oldest_due_at`: since when the oldest of those that are due could have gone out; None: none is due.
    `failed`: did not arrive, and still waits for a person: as many as the desk has on its list, but for those
    that ran late.
    """

    waiting: int
    sending: int
    due: int
    again: int
    failed: int
    oldest_due_at: datetime | None


@dataclass(frozen=True, slots=True)
class Jobs:
    """Work in the background: how many wait and run, since when the oldest waits, how many stopped lately."""

    waiting: int
    running: int
    stopped: int
    oldest_at: datetime | None


@dataclass(frozen=True, slots=True)
class Machinery:
    """Everything that is measured in the database."""

    heartbeat_at: datetime | None
    unapplied: list[str]
    outbox: Outbox
    jobs: Jobs
    backup: Backup | None
    """The last that was finished."""
    broken_backup: Backup | None
    """A newer one that broke off."""
    seal: HistorySeal | None
    unsealed: int

    def facts(self, *, now: datetime, queue: int | None = 0, disk_free: float | None = None) -> Facts:
        """The same as ages, for `rules.health.findings`."""
        due, job, backup, seal = self.outbox.oldest_due_at, self.jobs.oldest_at, self.backup, self.seal
        return Facts(
            heartbeat_s=_age(self.heartbeat_at, now),
            unsent_s=_age(due, now) or 0,
            unapplied=len(self.unapplied),
            failed=self.outbox.failed,
            backup_s=_age(backup.finished_at if backup else None, now),
            backup_broke=self.broken_backup is not None,
            seal_s=_age(seal.sealed_at if seal else None, now),
            unsealed=self.unsealed,
            job_s=_age(job, now) or 0,
            queue=queue,
            disk_free=disk_free,
        )


def _age(moment: datetime | None, now: datetime) -> float | None:
    """Seconds since; a moment ahead of `now` (a clock was set back) is none."""
    return None if moment is None else max(0.0, (now - moment).total_seconds())


def machinery(*, now: datetime) -> Machinery:
    """Look at all of it."""
    finished = Backup.objects.exclude(finished_at=None).order_by("-began_at").first()
    broken = Backup.objects.filter(finished_at=None).order_by("-began_at").first()
    if finished and broken and broken.began_at < finished.began_at:
        broken = None
    return Machinery(
        heartbeat_at=heartbeat_at(),
        unapplied=unapplied_migrations(),
        outbox=outbox(now=now),
        jobs=_jobs(now),
        backup=finished,
        broken_backup=broken,
        seal=HistorySeal.objects.order_by("-number").first(),
        unsealed=_unsealed(),
    )


def ready(*, now: datetime) -> Facts:
    """What `/readyz` asks, alone: migrations, heartbeat, outbox."""
    due = outbox(now=now).oldest_due_at
    return Facts(
        heartbeat_s=_age(heartbeat_at(), now),
        unsent_s=_age(due, now) or 0,
        unapplied=len(unapplied_migrations()),
    )


def heartbeat_at() -> datetime | None:
    """When the last beat came through scheduler, queue, worker and database."""
    return Heartbeat.objects.order_by("-beat_at").values_list("beat_at", flat=True).first()


def outbox(*, now: datetime) -> Outbox:
    """Messages on their way; those that have gone are not looked at."""
    due = Q(not_before__lte=now)
    row = Message.objects.filter(state__in=[MessageState.WAITING, MessageState.SENDING]).aggregate(
        waiting=Count("pk", filter=Q(state=MessageState.WAITING)),
        sending=Count("pk", filter=Q(state=MessageState.SENDING)),
        due=Count("pk", filter=due),
        again=Count("pk", filter=Q(attempts__gt=0, state=MessageState.WAITING)),
        oldest=Min("not_before", filter=due),
    )
    failed = gone_wrong(today=now.date(), with_late=False).count()
    return Outbox(row["waiting"], row["sending"], row["due"], row["again"], failed, row["oldest"])


def _unsealed() -> int:
    """Changes that no seal covers yet, by their numbers."""
    newest = seal_rows.newest_numbers(seal_rows.sealed_tables())
    marks = dict(HistoryMark.objects.values_list("table", "up_to"))
    return sum(max(0, number - marks.get(table, 0)) for table, number in newest.items())


def _jobs(now: datetime) -> Jobs:
    row = Job.objects.filter(state__in=[JobState.WAITING, JobState.RUNNING]).aggregate(
        waiting=Count("pk", filter=Q(state=JobState.WAITING)),
        running=Count("pk", filter=Q(state=JobState.RUNNING)),
        oldest=Min("asked_at", filter=Q(state=JobState.WAITING)),
    )
    stopped = Job.objects.filter(state=JobState.FAILED, finished_at__gt=now - timedelta(days=7)).count()
    return Jobs(row["waiting"], row["running"], stopped, row["oldest"])


def unapplied_migrations() -> list[str]:
    """Migrations of this program that the database does not have."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT app || '.' || name FROM django_migrations")
        applied = {name for (name,) in cursor.fetchall()}
    return sorted(_ours() - applied)


@cache
def _ours() -> frozenset[str]:
    return frozenset(f"{app}.{name}" for app, name in MigrationLoader(None).disk_migrations)


def database_bytes() -> int:
    """How large the database is on its disk."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_database_size(current_database())")
        (size,) = cursor.fetchone()
    return int(size)


def database_version() -> str:
    """Such as 18.1."""
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version")
        (version,) = cursor.fetchone()
    return str(version).split()[0]
