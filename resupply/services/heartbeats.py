"""The heartbeat: proof that scheduler, queue, worker and database work together."""

from datetime import datetime

from resupply.models import Heartbeat


def record_heartbeat(*, name: str = "worker", now: datetime) -> None:
    """Note that a beat came through at `now`; one row for each name, however many workers write it."""
    Heartbeat.objects.bulk_create(
        [Heartbeat(name=name, beat_at=now)],
        update_conflicts=True,
        unique_fields=["name"],
        update_fields=["beat_at"],
    )
