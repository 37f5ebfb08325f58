"""Days on which a location gives no parts, though the weekday is one of its open ones."""

import uuid

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.people import Location


@tracked
class ClosedDay(Voidable):
    """A day on which a location is closed: a holiday, a day for training."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    location = models.ForeignKey(Location, models.PROTECT, related_name="closed_days")
    day = models.DateField()
    reason = models.CharField(max_length=120)

    class Meta(Voidable.Meta):
        ordering = ["day", "location_id", "id"]
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                fields=["location", "day"], condition=Q(voided_at=None), name="closed_day_once"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="closed_day_has_reason"),
        ]

    def __str__(self) -> str:
        return f"closed day {self.pk}"
