"""Celery: a doorbell for work that the database already holds.

Redis may lose a task (a worker killed between taking and recording it; an emptied broker). Nothing is lost
with it: every job asks the database what is due, and the scheduler rings again. So there are no task results,
no tasks set for later and no schedule on disk, and a missed or doubled tick does no harm.
"""

import logging.config
import os
import warnings
from datetime import UTC, datetime
from typing import Any

from celery import Celery
from celery.signals import setup_logging, task_prerun

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")

from django.conf import settings
from django.db import close_old_connections

from clinic.logs import request_id

HARD_LIMIT = 60  # seconds a task may take
VISIBILITY_TIMEOUT = (
    300  # seconds after which Redis gives an unfinished task to another worker: above HARD_LIMIT
)
SWEEP_EVERY = float(settings.SWEEP_SECONDS)
HEARTBEAT_EVERY = min(15.0, SWEEP_EVERY)
UPLOADS_EVERY = min(3.0, SWEEP_EVERY)  # somebody sits and waits
LETTERS_EVERY = min(5.0, SWEEP_EVERY)  # somebody may wait for a new password
FOLDER_EVERY = 600.0
SEAL_EVERY = 60.0

_TRANSPORT = {
    "visibility_timeout": VISIBILITY_TIMEOUT,
    "unacked_restore_interval": 10,
    "unacked_restore_throttle": 1,
    # A line that went silent is noticed within these two together, so before the next heartbeat is due.
    "socket_timeout": 5,
    "health_check_interval": 5,
    "socket_connect_timeout": 5,
    "socket_keepalive": True,
}

if settings.DEMO:  # a trial may well run as root; in a deployment the warning stands
    warnings.filterwarnings("ignore", message="You're running the worker with superuser privileges")

app = Celery("clinic")
app.conf.update(
    broker_url=settings.REDIS_URL,
    broker_connection_retry_on_startup=True,
    broker_transport_options=_TRANSPORT,
    # Celery reads the time-out in three places; the two below matter as soon as someone adds a result store.
    result_backend_transport_options={"visibility_timeout": VISIBILITY_TIMEOUT},
    visibility_timeout=VISIBILITY_TIMEOUT,
    result_backend=None,
    task_ignore_result=True,
    task_default_queue="resupply",
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    task_time_limit=HARD_LIMIT,
    task_soft_time_limit=HARD_LIMIT - 10,
    worker_prefetch_multiplier=1,
    worker_soft_shutdown_timeout=8.0,
    worker_max_tasks_per_child=2000,
    worker_hijack_root_logger=False,
    timezone="UTC",
    enable_utc=True,
    # Celery would close the database connection around every task; it may stay for this many.
    CELERY_DB_REUSE_MAX=500,
    # A tick that waited longer than to the next one is not worth working off.
    beat_schedule={
        "sweep": {
            "task": "resupply.tasks.sweep",
            "schedule": SWEEP_EVERY,
            "options": {"expires": SWEEP_EVERY},
        },
        "uploads": {
            "task": "resupply.tasks.import_uploads",
            "schedule": UPLOADS_EVERY,
            "options": {"expires": UPLOADS_EVERY},
        },
        "jobs": {
            "task": "resupply.tasks.work_jobs",
            "schedule": UPLOADS_EVERY,
            "options": {"expires": UPLOADS_EVERY},
        },
        "open folder": {
            "task": "resupply.tasks.write_open_folder",
            "schedule": FOLDER_EVERY,
            "options": {"expires": FOLDER_EVERY},
        },
        "seal": {
            "task": "resupply.tasks.seal_history",
            "schedule": SEAL_EVERY,
            "options": {"expires": SEAL_EVERY},
        },
        "letters": {
            "task": "clinic.accounts.tasks.send_letters",
            "schedule": LETTERS_EVERY,
            "options": {"expires": LETTERS_EVERY},
        },
        # Due at once when a scheduler starts: `/readyz` after a start need not wait for the second tick.
        "heartbeat": {
            "task": "resupply.tasks.heartbeat",
            "schedule": HEARTBEAT_EVERY,
            "options": {"expires": HEARTBEAT_EVERY},
            "last_run_at": datetime(2000, 1, 1, tzinfo=UTC),
        },
    },
)
app.autodiscover_tasks(["resupply", "clinic.accounts"])


@setup_logging.connect
def _log_like_the_site(**kwargs: Any) -> None:
    """Celery logs through the site's own scrubbing formatter."""
    logging.config.dictConfig(settings.LOGGING)


@task_prerun.connect
def _drop_dead_connections(**kwargs: Any) -> None:
    """A kept connection is checked before the task: a restart of the database fails no later one."""
    close_old_connections()


@task_prerun.connect
def _name_lines(task_id: str = "", **kwargs: Any) -> None:
    """Log lines of a task carry its id."""
    request_id.set(task_id)
