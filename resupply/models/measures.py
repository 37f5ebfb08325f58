"""What cannot be worked out again from one statement: how many lines were in supply at the end of a month."""

from django.db import models

from resupply.models.people import Location


class SupplyMonth(models.Model):
    """The lines of patients on therapy (not in a pause) at the end of a month, by location.

    `days_overdue` says how many were overdue by how many days: {"9": 3}.
    """

    location = models.ForeignKey(Location, models.CASCADE, related_name="+")
    month = models.DateField()
    """Its first day."""
    lines = models.PositiveIntegerField()
    in_supply = models.PositiveIntegerField()
    days_overdue = models.JSONField(default=dict)
    counted_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["location", "month"], name="supply_month_once"),
            models.CheckConstraint(
                condition=models.Q(in_supply__lte=models.F("lines")), name="in_supply_is_among_lines"
            ),
        ]

    def __str__(self) -> str:
        return f"supply of {self.month}"
