"""Figures for a Prometheus server at `/metrics`: requests as they are answered, the rest from the database.

The web server is several processes and a scrape reaches one of them, so requests are counted in files that
all processes of one server share (the client library's multiprocess mode). The library decides by an
environment variable when it is first imported: it is imported here and nowhere else, and only where
METRICS_TOKEN is set. What the database knows is asked while a scrape waits; it is the same in every process.

Labels are names of views, methods, codes and states: no address, no patient, no member of staff.
"""

import os
from collections.abc import Iterator
from dataclasses import asdict

from clinic.shared import shared_folder

os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", shared_folder())

from django.db import Error
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from resupply import clock
from resupply.queries import health

_own = CollectorRegistry()
_REQUESTS = Counter("evenkeep_requests", "Requests answered.", ["view", "method", "status"], registry=_own)
_SECONDS = Histogram(
    "evenkeep_request_seconds",
    "Seconds from a request to its answer.",
    ["view"],
    buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10),
    registry=_own,
)


def count_request(view: str, method: str, status: int, seconds: float) -> None:
    """Count an answer."""
    _REQUESTS.labels(view, method, str(status)).inc()
    _SECONDS.labels(view).observe(seconds)


def page() -> bytes:
    """The figures in Prometheus' text format."""
    registry = CollectorRegistry()
    MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    registry.register(DatabaseFigures())
    return generate_latest(registry)


class DatabaseFigures(Collector):
    """What the database knows, looked at now."""

    def collect(self) -> Iterator[Metric]:
        """`evenkeep_database_up` first; where it is 0, nothing else."""
        up = GaugeMetricFamily("evenkeep_database_up", "Whether the database answers.")
        try:
            found = list(_figures())
        except Error:
            up.add_metric([], 0)
            yield up
            return
        up.add_metric([], 1)
        yield up
        yield from found


def _figures() -> Iterator[Metric]:
    now = clock.now()
    found = health.machinery(now=now)
    facts, outbox, jobs = found.facts(now=now), found.outbox, found.jobs
    states = asdict(outbox)
    del states["oldest_due_at"]
    yield _by_state("evenkeep_outbox_messages", "Messages that have not gone out.", states)
    yield _one("evenkeep_outbox_oldest_due_seconds", "How long the oldest due message waits.", facts.unsent_s)
    yield _one("evenkeep_heartbeat_age_seconds", "Since the last heartbeat came through.", facts.heartbeat_s)
    yield _by_state(
        "evenkeep_jobs",
        "Work in the background; stopped: of the last seven days.",
        {"waiting": jobs.waiting, "running": jobs.running, "stopped": jobs.stopped},
    )
    yield _one("evenkeep_backup_age_seconds", "Since the last backup was finished.", facts.backup_s)
    yield _one("evenkeep_history_seal_age_seconds", "Since history was last sealed.", facts.seal_s)
    yield _one("evenkeep_unapplied_migrations", "Migrations the database does not have.", facts.unapplied)
    yield _one("evenkeep_database_bytes", "Size of the database.", health.database_bytes())


def _one(name: str, what: str, value: float | None) -> GaugeMetricFamily:
    """A gauge; one without a value (there was none yet) has no sample."""
    family = GaugeMetricFamily(name, what)
    if value is not None:
        family.add_metric([], value)
    return family


def _by_state(name: str, what: str, values: dict[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, what, labels=["state"])
    for state, value in values.items():
        family.add_metric([state], value)
    return family
