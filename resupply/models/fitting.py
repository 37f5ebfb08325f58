"""The therapist's half hour: answers to the match, fittings with their tries, follow-ups."""

import uuid

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.dispensing import Dispense, Event
from resupply.models.equipment import CatalogueItem
from resupply.models.people import Location, Patient


@tracked
class MatchingVersion(Voidable):
    """The clinic's own matching table, in force from a day on. Without one the shipped table counts."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    effective_from = models.DateField()
    table = models.TextField()
    """TOML, as `rules.matching_table.read_table` takes it."""
    reason = models.CharField(max_length=300)

    def __str__(self) -> str:
        return f"matching version {self.public_id}"


@tracked
class MatchRecord(Voidable):
    """Answers of a patient, the order they led to, and the style chosen."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="matches")
    answered_on = models.DateField()
    answers = models.JSONField(default=dict)
    """Question to list of values, as `rules.matching.match` takes them."""
    version = models.ForeignKey(MatchingVersion, models.PROTECT, null=True, blank=True, related_name="+")
    """The table they were judged by; null: the shipped one."""
    order = models.JSONField(default=list)
    style = models.CharField(max_length=30, blank=True)
    """The style chosen; empty: none yet."""
    note = models.CharField(max_length=500, blank=True)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-id"], name="match_newest")]

    def __str__(self) -> str:
        return f"match {self.public_id}"


class FittingOutcome(models.TextChoices):
    """How a fitting ended."""

    KEPT = "kept", "A mask was kept"
    ANOTHER = "another", "Another visit is needed"
    REFERRED = "referred", "Referred to the prescriber"
    DECLINED = "declined", "The patient wants none of them"


class BodyPosition(models.TextChoices):
    """How the patient lay when leak was checked."""

    BACK = "back", "On the back"
    SIDE = "side", "On the side"
    FRONT = "front", "On the front"
    SITTING = "sitting", "Sitting up"


@tracked
class Fitting(Voidable):
    """One visit to find a mask that seals; what was tried, what was kept, what follows."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="fittings")
    location = models.ForeignKey(Location, models.PROTECT, related_name="fittings")
    fitted_on = models.DateField()
    match = models.ForeignKey(MatchRecord, models.PROTECT, null=True, blank=True, related_name="fittings")
    outcome = models.CharField(max_length=10, choices=FittingOutcome, blank=True)
    """Empty while the fitting is under way."""
    item_kept = models.ForeignKey(CatalogueItem, models.PROTECT, null=True, blank=True, related_name="+")
    size_kept = models.CharField(max_length=20, blank=True)
    note = models.CharField(max_length=500, blank=True)
    dispense = models.ForeignKey(Dispense, models.PROTECT, null=True, blank=True, related_name="fittings")
    refit = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="fittings")

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-fitted_on", "-id"], name="fitting_newest")]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=~Q(outcome="kept") | Q(item_kept__isnull=False), name="kept_mask_is_named"
            ),
        ]

    def __str__(self) -> str:
        return f"fitting {self.public_id}"


@tracked
class FittingTry(models.Model):
    """One mask and size on the face: pressure in cmH2O, position, and leak by site (none, slight, strong)."""

    fitting = models.ForeignKey(Fitting, models.PROTECT, related_name="tries")
    position = models.PositiveSmallIntegerField()
    item = models.ForeignKey(CatalogueItem, models.PROTECT, related_name="+")
    style = models.CharField(max_length=30)
    size = models.CharField(max_length=20, blank=True)
    pressure = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    lying = models.CharField(max_length=8, choices=BodyPosition)
    leaks = models.JSONField(default=dict)
    next_change = models.CharField(max_length=300, blank=True)
    """What to change for the next try."""

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["fitting", "position"], name="fitting_try_position_once"),
            models.CheckConstraint(
                condition=Q(pressure=None) | Q(pressure__gte=0, pressure__lte=40),
                name="fitting_pressure_in_range",
            ),
        ]

    def __str__(self) -> str:
        return f"fitting try {self.pk}"


@tracked
class FollowUpPlanVersion(Voidable):
    """The clinic's own plan of follow-ups from a day on; without one the shipped plan counts."""

    effective_from = models.DateField()
    steps = models.JSONField()
    """List of {step, name, from_day, to_day}, as `rules.follow_ups.FollowUpStep` takes them."""
    reason = models.CharField(max_length=300)

    def __str__(self) -> str:
        return f"follow-up plan {self.pk}"


@tracked
class FollowUp(Voidable):
    """A follow-up made or tried: whether the patient was reached, what troubles them, what was done."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="follow_ups")
    on = models.DateField()
    step = models.CharField(max_length=20, blank=True)
    """The step of the plan it was made for; empty: outside the plan."""
    reached = models.BooleanField()
    problems = ArrayField(models.CharField(max_length=20), default=list, blank=True)
    leaks = models.JSONField(default=dict)
    is_reevaluation = models.BooleanField(default=False)
    """Seen in person by the treating practitioner, benefit documented, as the covering policy asks."""
    note = models.CharField(max_length=500, blank=True)
    again_on = models.DateField(null=True, blank=True)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-on", "-id"], name="follow_up_newest")]

    def __str__(self) -> str:
        return f"follow-up {self.public_id}"


@tracked
class TextReview(Voidable):
    """A qualified reader signed off a text in a language, as it stood then (`digest` of the text)."""

    text = models.CharField(max_length=40)
    language = models.CharField(max_length=5)
    digest = models.CharField(max_length=64)
    reviewer = models.CharField(max_length=120)
    qualification = models.CharField(max_length=160)
    reviewed_on = models.DateField()

    def __str__(self) -> str:
        return f"review of {self.text} in {self.language}"
