"""The clinic's own rules as dated versions: lives, its terms, and its cleaning tasks."""

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.imports import ImportBatch
from resupply.models.payers import UNIT_CHOICES
from resupply.models.people import Patient


@tracked
class LifeVersion(Voidable):
    """The life of a code from a day on: the clinic's, or one patient's override with its reason.

    No period (`period_count` null) takes the patient's override back.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, null=True, blank=True, related_name="lives")
    part_code = models.CharField(max_length=8)
    period_count = models.PositiveSmallIntegerField(null=True, blank=True)
    period_unit = models.CharField(max_length=5, choices=UNIT_CHOICES, default="month")
    effective_from = models.DateField()
    reason = models.CharField(max_length=300, blank=True)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="lives")
    import_key = models.CharField(max_length=64, null=True, unique=True, editable=False)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(condition=~Q(period_count=0), name="life_counts_at_least_one"),
            models.CheckConstraint(condition=Q(patient=None) | ~Q(reason=""), name="own_life_has_reason"),
            models.CheckConstraint(
                condition=Q(period_count__isnull=False) | Q(patient__isnull=False),
                name="clinic_life_has_period",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_code}: {self.period_count} {self.period_unit}"


@tracked
class ClinicTermsVersion(Voidable):
    """Days without a refill question after a delivery, and the supply a refill aims at, from a day on."""

    effective_from = models.DateField()
    gap_days = models.PositiveSmallIntegerField(default=7)
    target_count = models.PositiveSmallIntegerField(default=3)
    target_unit = models.CharField(max_length=5, choices=UNIT_CHOICES, default="month")
    reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"gap {self.gap_days} days, target {self.target_count} {self.target_unit}"


@tracked
class CleaningChoice(Voidable):
    """The clinic's change to a shipped cleaning task: another frequency, or none (`frequency` empty)."""

    task = models.CharField(max_length=40)
    frequency = models.CharField(max_length=8, blank=True)
    effective_from = models.DateField()
    reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"{self.task}: {self.frequency or 'not used'}"
