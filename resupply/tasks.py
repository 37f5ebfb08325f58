"""Celery's doors. Each asks the database what is due; none needs to run once and only once.

The scheduler rings `sweep`, `import_uploads`, `work_jobs`, `write_open_folder`, `seal_history` and
`heartbeat`; `sweep` rings the others. A ring that is lost, doubled or late does no harm: what is to be done
stands in PostgreSQL.
"""

from pathlib import Path

from celery import shared_task
from django.conf import settings

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.services import (
    feeds,
    heartbeats,
    job_kinds,  # noqa: F401 - imported for what it registers
    jobs,
    measures,
    open_folders,
    outbox,
    outlook,
    plans,
    policy_changes,
    questions,
    recall_notices,
    reminders,
    seals,
    supply_ends,
    uploads,
)
from resupply.services.records import clinic_zone

RING_LASTS = 60
"""Seconds after which a ring nobody answered is dropped: the next sweep rings again."""


LONG_LIMIT = 280
"""Seconds one import, or one slice of a job, may take: less than the queue waits before it hands a task to
another worker.
"""


@shared_task
def sweep() -> None:
    """Bring plans up to the day, queue what has become due, and ring for post, calendars and figures.

    Figures are a task of their own: whatever becomes of them, no reminder waits for it.
    """
    plans.refresh_expired(now=clock.now())
    questions.tidy(now=clock.now())
    reminders.enqueue_due(now=clock.now(), by_link=settings.ANSWER_BY_LINK, channels=tuple(carriers()))
    recall_notices.queue_open(now=clock.now(), channels=tuple(carriers()))
    deliver.apply_async(expires=RING_LASTS)
    export_feeds.apply_async(expires=RING_LASTS)
    keep_figures.apply_async(expires=RING_LASTS)


@shared_task
def deliver() -> None:
    """Send what is waiting; ring again if the time of one task was too short for it."""
    if outbox.deliver(carriers(), now=clock.now()).is_cut_short:
        deliver.apply_async(expires=RING_LASTS)


@shared_task
def export_feeds() -> None:
    """Write stale calendars anew before anyone fetches them."""
    feeds.export_ahead(now=clock.now())


@shared_task(time_limit=LONG_LIMIT, soft_time_limit=LONG_LIMIT - 20)
def keep_figures() -> None:
    """Keep what managers look at: ends of supply by day, the month that ended, the day's outlook."""
    supply_ends.fold()
    today = clock.today(clinic_zone())
    measures.keep_month(today=today, now=clock.now())
    outlook.keep_up(today=today, now=clock.now())


@shared_task(time_limit=LONG_LIMIT, soft_time_limit=LONG_LIMIT - 20)
def import_uploads() -> None:
    """Check or write one list that was sent from a browser, and ring again for the next."""
    if uploads.work(now=clock.now()):
        import_uploads.apply_async(expires=RING_LASTS)


@shared_task(time_limit=LONG_LIMIT, soft_time_limit=LONG_LIMIT - 20)
def work_jobs() -> None:
    """Do a slice of one job that somebody asked for, or of what a stopped one left, and ring again."""
    if jobs.work(now=clock.now()) or policy_changes.tidy_left(now=clock.now()):
        work_jobs.apply_async(expires=RING_LASTS)


@shared_task(time_limit=LONG_LIMIT, soft_time_limit=LONG_LIMIT - 20)
def write_open_folder() -> None:
    """Write the night's folder of open tables, if it is wanted and not there yet."""
    if settings.EXPORT_FOLDER:
        open_folders.write_tonight(Path(settings.EXPORT_FOLDER), now=clock.now())


@shared_task
def seal_history() -> None:
    """Seal what came into change history; what one ring does not get through, the next does."""
    seals.seal_all(now=clock.now(), at_most=5)


@shared_task
def heartbeat() -> None:
    """Leave a mark in the database."""
    heartbeats.record_heartbeat(now=clock.now())
