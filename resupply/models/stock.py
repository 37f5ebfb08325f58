"""What lies on the shelves: a ledger of movements by location, item, lot and expiry.

`StockLevel` is derived from the movements and kept in the same transaction; its row is the lock that keeps
two clerks from taking the last one. It may fall below zero: parts that were on the shelf and not on record.
"""

import uuid

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.dispensing import DispenseLine
from resupply.models.equipment import KIND_CHOICES, CatalogueItem
from resupply.models.people import Location, Patient


class Movement(models.TextChoices):
    """Why stock changed."""

    RECEIVED = "received", "Received"
    DISPENSED = "dispensed", "Dispensed"
    RETURNED = "returned", "Back on the shelf"
    MOVED = "moved", "Moved to another location"
    COUNTED = "counted", "Corrected by a count"
    DISCARDED = "discarded", "Discarded"


@tracked
class StockCount(Voidable):
    """A count of the shelves of a location; its differences are movements."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    location = models.ForeignKey(Location, models.PROTECT, related_name="stock_counts")
    counted_on = models.DateField()
    note = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"stock count {self.public_id}"


@tracked
class StockMovement(Voidable):
    """So many units of an item in or out (negative) of a location, of one lot and expiry."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    location = models.ForeignKey(Location, models.PROTECT, related_name="stock_movements")
    item = models.ForeignKey(CatalogueItem, models.PROTECT, related_name="stock_movements")
    lot = models.CharField(max_length=40, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    movement = models.CharField(max_length=10, choices=Movement)
    quantity = models.IntegerField()
    on = models.DateField()
    dispense_line = models.ForeignKey(
        DispenseLine, models.PROTECT, null=True, blank=True, related_name="stock_movements"
    )
    count = models.ForeignKey(StockCount, models.PROTECT, null=True, blank=True, related_name="movements")
    pair = models.UUIDField(null=True, blank=True)
    """Both halves of a move from one location to another."""
    note = models.CharField(max_length=300, blank=True)

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(fields=["location", "item", "-id"], name="stock_movement_by_item"),
        ]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(condition=~Q(quantity=0), name="stock_movement_moves"),
        ]

    def __str__(self) -> str:
        return f"stock movement {self.pk}"


class StockLevel(models.Model):
    """Units on the shelf of one location, item, lot and expiry: the sum of its standing movements."""

    location = models.ForeignKey(Location, models.PROTECT, related_name="stock_levels")
    item = models.ForeignKey(CatalogueItem, models.PROTECT, related_name="stock_levels")
    lot = models.CharField(max_length=40, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    on_hand = models.IntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["location", "item", "lot", "expires_on"],
                nulls_distinct=False,
                name="stock_level_once",
            )
        ]

    def __str__(self) -> str:
        return f"stock level {self.pk}"


@tracked
class StockTarget(models.Model):
    """From how few on the shelf an item counts as low at a location, and up to how many to order."""

    location = models.ForeignKey(Location, models.PROTECT, related_name="stock_targets")
    item = models.ForeignKey(CatalogueItem, models.PROTECT, related_name="stock_targets")
    low_at = models.PositiveSmallIntegerField()
    order_up_to = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["location", "item"], name="stock_target_once")]

    def __str__(self) -> str:
        return f"stock target {self.pk}"


@tracked
class BackOrder(Voidable):
    """Parts a patient is to have once they are in stock; open until a dispense line fills it, or voided."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="back_orders")
    location = models.ForeignKey(Location, models.PROTECT, related_name="back_orders")
    item = models.ForeignKey(CatalogueItem, models.PROTECT, null=True, blank=True, related_name="+")
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    quantity = models.PositiveSmallIntegerField()
    ordered_on = models.DateField()
    expected_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    filled_by = models.ForeignKey(
        DispenseLine, models.PROTECT, null=True, blank=True, related_name="back_orders"
    )

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(
                fields=["location", "expected_on"],
                name="back_order_open",
                condition=Q(filled_by=None, voided_at=None),
            )
        ]

    def __str__(self) -> str:
        return f"back order {self.public_id}"
