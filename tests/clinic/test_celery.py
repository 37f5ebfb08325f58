"""The queue's settings, against the promises written beside them."""

from typing import Any

import pytest
from celery.signals import task_prerun
from django.conf import settings
from django.db import connection

from clinic.celery import HARD_LIMIT, VISIBILITY_TIMEOUT, app
from clinic.supervisor import STOP_PATIENCE
from resupply.services import outbox


def test_a_task_ends_before_redis_hands_it_to_another_worker() -> None:
    conf = app.conf
    assert conf.task_time_limit == HARD_LIMIT < VISIBILITY_TIMEOUT
    assert {
        conf.broker_transport_options["visibility_timeout"],
        conf.result_backend_transport_options["visibility_timeout"],
        conf.visibility_timeout,
    } == {VISIBILITY_TIMEOUT}


def test_a_worker_that_is_told_to_end_finishes_the_mail_in_hand() -> None:
    """Compare `make test-faults ONLY="told to end"`."""
    assert outbox.TIME.total_seconds() + 2 < app.conf.worker_soft_shutdown_timeout
    assert app.conf.worker_soft_shutdown_timeout + 2 < STOP_PATIENCE


def test_a_task_with_a_limit_of_its_own_ends_before_that_too() -> None:
    app.loader.import_default_modules()
    limits = [task.time_limit for task in app.tasks.values() if task.time_limit is not None]
    assert limits
    assert max(limits) < VISIBILITY_TIMEOUT


def test_a_task_counts_only_once_it_is_done() -> None:
    conf = app.conf
    assert (conf.task_acks_late, conf.task_reject_on_worker_lost) == (True, True)
    assert conf.worker_prefetch_multiplier == 1
    assert conf.result_backend is None


def test_every_tick_is_a_task_that_exists_and_expires_before_the_next() -> None:
    app.loader.import_default_modules()
    for entry in app.conf.beat_schedule.values():
        assert entry["task"] in app.tasks
        assert entry["options"]["expires"] <= entry["schedule"]


def test_a_publish_to_a_silent_broker_does_not_hang() -> None:
    options: dict[str, Any] = app.conf.broker_transport_options
    assert 0 < options["socket_connect_timeout"] <= 10
    assert 0 < options["socket_timeout"] <= 30


def test_broker_and_cache_never_share_a_database() -> None:
    assert app.conf.broker_url == settings.REDIS_URL
    assert settings.CACHES["default"]["LOCATION"] != settings.REDIS_URL


@pytest.mark.django_db(transaction=True)
def test_a_kept_connection_that_died_is_replaced_before_the_next_task() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        (before,) = cursor.fetchone()
    import psycopg

    with psycopg.connect(**connection.get_connection_params() | {"cursor_factory": None}) as other:
        other.execute("SELECT pg_terminate_backend(%s)", [before])
    task_prerun.send(sender=None)
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        (after,) = cursor.fetchone()
    assert after != before
