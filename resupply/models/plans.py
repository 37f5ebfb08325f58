"""Plans: derived rows that can be dropped and rebuilt to the same bytes. They hold dates, never states.

Identity of calendar entries lives with the feeds, not here.

While a change of policy is worked out for all patients, its plans stand beside those in force: a row is shown
from one edition of the plans until another. `objects` shows what the present edition shows, in every query
and in whatever it is joined from as a list; only the writer of plans (`services.plan_rows`) sees `stored`.
A query that joins plan rows from elsewhere (`patient__plan_lines__...`) adds `shown(...)` itself.
"""

from typing import TypeVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.db.models.expressions import RawSQL

from resupply.models.equipment import KIND_CHOICES
from resupply.models.payers import UNIT_CHOICES, Payer
from resupply.models.people import Location, Patient

M = TypeVar("M", bound=models.Model)


class PlanEdition(models.Model):
    """Which edition of the plans readers see (one row; none: 0). To change `number` is to change every plan
    at once.

    `staged`: the draft whose edition is being worked out; `tidying`: the one whose leftovers are cleared
    away.
    """

    number = models.PositiveIntegerField(default=0)
    staged = models.ForeignKey("PolicyDraft", models.PROTECT, null=True, related_name="+")
    tidying = models.ForeignKey("PolicyDraft", models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(pk=1), name="one_row_of_editions")]

    def __str__(self) -> str:
        return f"edition {self.number}"


def shown(rows: str = "") -> Q:
    """Plan rows of the present edition; `rows`: how a query reaches them, with `__` at its end."""
    now = RawSQL("(SELECT coalesce(max(number), 0) FROM resupply_planedition)", [])
    begun = Q(**{f"{rows}shown_from": None}) | Q(**{f"{rows}shown_from__lte": now})
    return begun & (Q(**{f"{rows}shown_until": None}) | Q(**{f"{rows}shown_until__gt": now}))


class ShownManager(models.Manager[M]):
    """Rows that the present edition shows."""

    def get_queryset(self) -> models.QuerySet[M]:
        """All of them."""
        return super().get_queryset().filter(shown())


class PlanRow(models.Model):
    """What rows of plans share: from which edition on, and until which, they are shown (null: ever)."""

    shown_from = models.PositiveIntegerField(null=True, editable=False)
    shown_until = models.PositiveIntegerField(null=True, editable=False)

    objects = ShownManager()
    stored = models.Manager()  # noqa: DJ012

    class Meta:
        abstract = True


class PlanState(models.Model):
    """Until when a patient's plan holds: on `valid_until` it is worked out anew (null: when something is
    recorded).

    Once per patient, not per line: a mask that starts moves other lines, and a patient whose first fact lies
    ahead has no line yet.
    """

    patient = models.OneToOneField(Patient, models.CASCADE, primary_key=True, related_name="plan_state")
    valid_until = models.DateField(null=True)
    staged_for = models.PositiveIntegerField(null=True)
    """The edition being staged whose plan holds until `staged_until`; meanwhile the earlier day counts."""
    staged_until = models.DateField(null=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["valid_until"], name="plan_running_out", condition=models.Q(valid_until__isnull=False)
            )
        ]

    def __str__(self) -> str:
        return f"plan of {self.patient_id}"


class PlanDigest(models.Model):
    """What a patient's plan was worked out from and to when a rebuild last did it, as one number
    (`queries.plan_digests`): while it holds, a rebuild leaves the patient alone.
    """

    patient = models.OneToOneField(Patient, models.CASCADE, primary_key=True, related_name="+")
    digest = models.BigIntegerField()

    def __str__(self) -> str:
        return f"digest of the plan of {self.patient_id}"


class PlanLine(PlanRow):
    """The dates of one patient's line, true until the day that patient's `PlanState` names.

    Location, payer and `active` (on therapy) are copied from the patient: the manager's lists filter and page
    on them with one index.
    """

    # No index of their own: each leads one of those below, and every index costs a bulk write.
    patient = models.ForeignKey(Patient, models.CASCADE, related_name="plan_lines", db_index=False)
    location = models.ForeignKey(Location, models.CASCADE, related_name="+", db_index=False)
    payer = models.ForeignKey(Payer, models.CASCADE, null=True, related_name="+", db_index=False)
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
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "kind", "shown_until"], nulls_distinct=False, name="plan_line_once"
            )
        ]
        indexes = [
            models.Index(fields=["supply_ends_on", "id"], name="plan_by_end"),
            models.Index(fields=["location", "supply_ends_on", "id"], name="plan_by_place_end"),
            models.Index(fields=["location", "kind", "supply_ends_on", "id"], name="plan_by_place_kind_end"),
            models.Index(fields=["payer", "supply_ends_on", "id"], name="plan_by_payer_end"),
            models.Index(
                fields=["supply_ends_on"],
                include=["location", "kind", "paused_from", "paused_until", "shown_from", "shown_until"],
                name="plan_paused",
                condition=models.Q(active=True, paused_from__isnull=False),
            ),
            # Each sweep asks for part changes of these days: without it, it read every line there is.
            models.Index(
                fields=["in_use_since"],
                name="plan_changed",
                condition=models.Q(active=True, units_started__gt=1),
            ),
        ]

    def __str__(self) -> str:
        return f"plan line {self.pk}"


class PlanChecklist(PlanRow):
    """A cleaning checklist of one frequency in `[starts_on, ends_on)` (no end: goes on)."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="plan_checklists")
    frequency = models.CharField(max_length=8)
    starts_on = models.DateField()
    ends_on = models.DateField(null=True)
    tasks = ArrayField(models.CharField(max_length=40))

    class Meta:
        ordering = ["patient_id", "frequency", "starts_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "frequency", "starts_on", "shown_until"],
                nulls_distinct=False,
                name="plan_checklist_once",
            )
        ]

    def __str__(self) -> str:
        return f"checklist {self.pk}"
