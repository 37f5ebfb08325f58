"""Plans: derived rows that can be dropped and rebuilt to the same bytes. They hold dates, never states.

Identity of calendar entries lives with the feeds, not here.
"""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from resupply.models.equipment import KIND_CHOICES
from resupply.models.payers import UNIT_CHOICES, Payer
from resupply.models.people import Location, Patient


class PlanState(models.Model):
    """Until when a patient's plan holds: on `valid_until` it is worked out anew (null: when something is
    recorded).

    Once per patient, not per line: a mask that starts moves other lines, and a patient whose first fact lies
    ahead has no line yet.
    """

    patient = models.OneToOneField(Patient, models.CASCADE, primary_key=True, related_name="plan_state")
    valid_until = models.DateField(null=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["valid_until"], name="plan_running_out", condition=models.Q(valid_until__isnull=False)
            )
        ]

    def __str__(self) -> str:
        return f"plan of {self.patient_id}"


class PlanLine(models.Model):
    """The dates of one patient's line, true until the day that patient's `PlanState` names.

    Location, payer and `active` (on therapy) are copied from the patient: the manager's lists filter and page
    on them with one index.
    """

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="plan_lines")
    location = models.ForeignKey(Location, models.CASCADE, related_name="+")
    payer = models.ForeignKey(Payer, models.CASCADE, null=True, related_name="+")
    active = models.BooleanField()
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    in_use_since = models.DateField(null=True)
    worn_on = models.DateField(null=True)
    spares = models.PositiveIntegerField()
    supply_ends_on = models.DateField()
    covered_from = models.DateField(null=True)
    refill_on = models.DateField()
    ask_from = models.DateField()
    deliver_from = models.DateField()
    allowance_units = models.PositiveSmallIntegerField(null=True)
    allowance_count = models.PositiveSmallIntegerField(null=True)
    allowance_unit = models.CharField(max_length=5, choices=UNIT_CHOICES, null=True)
    allowance_at_once = models.PositiveSmallIntegerField(null=True)
    covered_starts = ArrayField(models.DateField(), default=list)
    billed_on = ArrayField(models.DateField(), default=list)
    delivery_lead = models.PositiveSmallIntegerField()
    target_units = models.PositiveIntegerField()
    paused_from = models.DateField(null=True)
    paused_until = models.DateField(null=True)
    changes_on = ArrayField(models.DateField(), default=list)
    units_started = models.PositiveIntegerField(default=0, db_default=0)

    class Meta:
        ordering = ["patient_id", "kind"]
        constraints = [models.UniqueConstraint(fields=["patient", "kind"], name="plan_line_once")]
        indexes = [
            models.Index(fields=["supply_ends_on", "id"], name="plan_by_end"),
            models.Index(fields=["location", "supply_ends_on", "id"], name="plan_by_place_end"),
            models.Index(fields=["location", "kind", "supply_ends_on", "id"], name="plan_by_place_kind_end"),
        ]

    def __str__(self) -> str:
        return f"plan line {self.pk}"


class PlanChecklist(models.Model):
    """A cleaning checklist of one frequency in `[starts_on, ends_on)` (no end: goes on)."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="plan_checklists")
    frequency = models.CharField(max_length=8)
    starts_on = models.DateField()
    ends_on = models.DateField(null=True)
    tasks = ArrayField(models.CharField(max_length=40))

    class Meta:
        ordering = ["patient_id", "frequency", "starts_on"]
        constraints = [
            models.UniqueConstraint(fields=["patient", "frequency", "starts_on"], name="plan_checklist_once")
        ]

    def __str__(self) -> str:
        return f"checklist {self.pk}"
