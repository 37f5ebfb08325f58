"""Who pays, what they allow, and who paid for whom since when."""

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.imports import ImportBatch
from resupply.models.people import Patient
from resupply.rules.periods import Unit

UNIT_CHOICES = [(unit.value, unit.value) for unit in Unit]


class RefillSource(models.TextChoices):
    """Whose refill rule a payer's patients are planned by."""

    SHIPPED = "shipped", "The shipped rule (US supplier refill requirements)"
    OWN = "own", "The payer's own rule"
    CLINIC = "clinic", "The clinic's own leads"


@tracked
class Payer(models.Model):
    """An insurer or programme that pays for parts. A patient without one pays themselves."""

    name = models.CharField(max_length=80, unique=True)
    refill_source = models.CharField(max_length=8, choices=RefillSource, default=RefillSource.CLINIC)
    reevaluation = models.CharField(max_length=8, blank=True)
    """Covering policy whose re-evaluation window its patients have (`adherence_rules.toml`); empty: none."""
    reevaluation_first = models.PositiveSmallIntegerField(null=True, blank=True)
    reevaluation_last = models.PositiveSmallIntegerField(null=True, blank=True)
    """The payer's own window, in days from the first night, where it differs from its policy's."""

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


@tracked
class Coverage(Voidable):
    """From `starts_on` this payer pays (null: the patient does), until the next coverage starts."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="coverages")
    payer = models.ForeignKey(Payer, models.PROTECT, null=True, blank=True, related_name="coverages")
    starts_on = models.DateField()
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="coverages")

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "starts_on"], name="coverage_by_patient")]

    def __str__(self) -> str:
        return f"coverage {self.pk}"


@tracked
class AllowanceVersion(Voidable):
    """A payer's usual maximum for one code, in force from a day on."""

    payer = models.ForeignKey(Payer, models.PROTECT, related_name="allowances")
    part_code = models.CharField(max_length=8)
    units = models.PositiveSmallIntegerField()
    period_count = models.PositiveSmallIntegerField()
    period_unit = models.CharField(max_length=5, choices=UNIT_CHOICES)
    at_once_periods = models.PositiveSmallIntegerField()
    effective_from = models.DateField()
    source = models.CharField(max_length=200, blank=True)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="allowances")
    import_key = models.CharField(max_length=64, null=True, unique=True, editable=False)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(units__gte=1, period_count__gte=1, at_once_periods__gte=1),
                name="allowance_counts_at_least_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_code}: {self.units} per {self.period_count} {self.period_unit}"


@tracked
class RefillRuleVersion(Voidable):
    """How early a patient may be asked and a refill dispensed; no payer: the clinic's own leads."""

    payer = models.ForeignKey(Payer, models.PROTECT, null=True, blank=True, related_name="refill_rules")
    contact_lead_days = models.PositiveSmallIntegerField()
    delivery_lead_days = models.PositiveSmallIntegerField()
    effective_from = models.DateField()
    source = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return f"ask {self.contact_lead_days}, dispense {self.delivery_lead_days} days before"
