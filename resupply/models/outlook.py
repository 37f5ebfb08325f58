"""The outlook: parts needed per week, as last worked out. Derived; a new run takes the place of the last."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from resupply.models.equipment import KIND_CHOICES, CatalogueItem
from resupply.models.people import Location


class OutlookRun(models.Model):
    """One working out for all locations: weeks are counted from `first_day`, a Monday.

    `delays`: what was learned of the clinic's own pace, a row for each location and kind.
    """

    as_of = models.DateField()
    first_day = models.DateField()
    made_at = models.DateTimeField()
    is_done = models.BooleanField(default=False)
    delays = models.JSONField(default=list)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"outlook of {self.as_of}"


class OutlookRow(models.Model):
    """Units needed of an item (or of a code, where no item is known) at a location, week by week.

    `on_time`: each refill when it is needed. `expected`, `variance`: at the clinic's own pace. `low`, `high`:
    between these in four weeks of five. `later`: expected after the last week, or never.
    """

    run = models.ForeignKey(OutlookRun, models.CASCADE, related_name="rows")
    location = models.ForeignKey(Location, models.CASCADE, related_name="+")
    item = models.ForeignKey(CatalogueItem, models.CASCADE, null=True, related_name="+")
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    refills = models.PositiveIntegerField()
    on_time = ArrayField(models.PositiveIntegerField())
    expected = ArrayField(models.FloatField())
    variance = ArrayField(models.FloatField())
    low = ArrayField(models.PositiveIntegerField())
    high = ArrayField(models.PositiveIntegerField())
    later_on_time = models.PositiveIntegerField()
    later = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["run", "location", "item", "part_code"],
                nulls_distinct=False,
                name="outlook_row_once",
            )
        ]

    def __str__(self) -> str:
        return f"outlook row {self.pk}"
