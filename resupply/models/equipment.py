"""What the clinic can give, the device it serves, and the prescriber's order behind it."""

import uuid

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.people import Patient
from resupply.rules.kinds import Kind

KIND_CHOICES = [(kind.value, kind.value.replace("_", " ")) for kind in Kind]


class Magnetic(models.TextChoices):
    """Whether an item holds magnets; unknown counts as yes."""

    NO = "no", "No magnets"
    YES = "yes", "Holds magnets"
    UNKNOWN = "unknown", "Not known"


@tracked
class CatalogueItem(models.Model):
    """An item on the clinic's shelf: kind, billing code, mask family, size, and what is packed with it."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    family = models.CharField(max_length=60, blank=True)
    style = models.CharField(max_length=30, blank=True)
    """Of a mask: its style, as the matching table names it."""
    size = models.CharField(max_length=20, blank=True)
    contains = ArrayField(models.CharField(max_length=8), default=list, blank=True)
    pack_sizes = ArrayField(models.CharField(max_length=20), default=list, blank=True)
    """Sizes in a fit pack: one pack, of which the patient keeps one size. Empty: no fit pack."""
    gtin = models.CharField(max_length=14, blank=True)
    hibc = models.CharField(max_length=24, blank=True)
    """Labeler and product of an HIBC primary code, without `+`, unit of measure and check character."""
    code_note = models.CharField(max_length=300, blank=True)
    """Why this billing code, where the clinic had to choose."""
    magnetic = models.CharField(max_length=8, choices=Magnetic, default=Magnetic.UNKNOWN)
    is_offered = models.BooleanField(default=True)

    class Meta:
        ordering = ["kind", "name", "size"]
        constraints = [
            models.UniqueConstraint(fields=["name", "size"], name="catalogue_item_once"),
            models.UniqueConstraint(fields=["gtin"], condition=~Q(gtin=""), name="catalogue_gtin_once"),
            models.UniqueConstraint(fields=["hibc"], condition=~Q(hibc=""), name="catalogue_hibc_once"),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {self.size}" if self.size else self.name


class Humidifier(models.TextChoices):
    """Humidifier of a device."""

    NONE = "none", "None"
    HEATED = "heated", "Heated"
    PASSIVE = "passive", "Not heated"


@tracked
class Device(Voidable):
    """A patient's device, its prescribed pressure in cmH2O (a range where it adjusts) and humidifier."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="devices")
    description = models.CharField(max_length=120)
    serial = models.CharField(max_length=40, blank=True)
    pressure_low = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    pressure_high = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    humidifier = models.CharField(max_length=8, choices=Humidifier, default=Humidifier.NONE)
    supplied_on = models.DateField()

    def __str__(self) -> str:
        return f"device {self.pk}"


@tracked
class Order(Voidable):
    """A prescriber's order for supplies."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="orders")
    prescriber_name = models.CharField(max_length=120)
    prescriber_npi = models.CharField(max_length=10)
    ordered_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True)

    def __str__(self) -> str:
        return f"order {self.pk}"


@tracked
class OrderItem(models.Model):
    """One part on an order: so many units of a code per period."""

    order = models.ForeignKey(Order, models.PROTECT, related_name="items")
    part_code = models.CharField(max_length=8)
    quantity = models.PositiveSmallIntegerField()
    period_months = models.PositiveSmallIntegerField(default=1)

    def __str__(self) -> str:
        return f"{self.quantity} x {self.part_code}"
