"""Nights: use, leak and AHI-Flow as a device reported them, in one set of units."""

import uuid

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.people import Patient
from resupply.rules.leaks import LeakKind

LEAK_KINDS = [(kind.value, kind.value) for kind in LeakKind]


@tracked
class NightImport(Voidable):
    """One file of nights of one patient; taken back as a whole."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="night_imports")
    rows = models.PositiveIntegerField()
    first_night = models.DateField()
    last_night = models.DateField()

    def __str__(self) -> str:
        return f"night import {self.public_id}"


class Night(Voidable):
    """One night, named by the date on which it begins: minutes of use, AHI-Flow per hour, pressures in cmH2O
    and leak in L/min as median and 95th percentile.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="nights")
    night_on = models.DateField()
    usage_min = models.PositiveSmallIntegerField()
    ahi_flow = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    press_p50 = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    press_p95 = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    leak_p50 = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    leak_p95 = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    leak_kind = models.CharField(max_length=13, choices=LEAK_KINDS, default=LeakKind.UNKNOWN)
    source = models.CharField(max_length=60, blank=True)
    brought_by = models.ForeignKey(NightImport, models.PROTECT, related_name="nights")

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                fields=["patient", "night_on"], condition=Q(voided_at=None), name="one_standing_night"
            ),
            models.CheckConstraint(condition=Q(usage_min__lte=1440), name="night_fits_a_day"),
        ]

    def __str__(self) -> str:
        return f"night {self.pk}"
