"""Drafts of policy: what somebody means to change, what it would do, and how far the change has come."""

import uuid

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models

from resupply.models.base import tracked
from resupply.models.jobs import Job
from resupply.models.payers import Payer
from resupply.models.people import Location, Patient


class PolicyKind(models.TextChoices):
    """What a version says something about."""

    LIFE = "life", "Life of a part"
    ALLOWANCE = "allowance", "Allowance of a payer"
    REFILL = "refill", "Refill rule"
    TERMS = "terms", "Clinic terms"
    CLEANING = "cleaning", "Cleaning task"
    MATCHING = "matching", "Matching table"
    FOLLOW_UPS = "follow_ups", "Follow-up plan"
    MESSAGES = "messages", "Message terms"


class DraftAct(models.TextChoices):
    """What a draft does once it is applied."""

    ADD = "add", "New version"
    VOID = "void", "Voids a version"


class DraftState(models.TextChoices):
    """How far a draft has come."""

    DRAFT = "draft", "Draft"
    PREVIEWING = "previewing", "Being previewed"
    READY = "ready", "Ready to apply"
    APPLYING = "applying", "Being applied"
    APPLIED = "applied", "Applied"
    DROPPED = "dropped", "Dropped"


@tracked
class PolicyDraft(models.Model):
    """A version that is not in force yet: its values, from when, why and on whose word.

    Applied, it is the record of who decided it: `version_id` names the version it made or voided.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=10, choices=PolicyKind)
    act = models.CharField(max_length=4, choices=DraftAct, default=DraftAct.ADD)
    payer = models.ForeignKey(Payer, models.PROTECT, null=True, blank=True, related_name="+")
    values = models.JSONField(default=dict)
    """Fields of the version, as its model names them."""
    version_id = models.BigIntegerField(null=True, blank=True)
    effective_from = models.DateField()
    reason = models.CharField(max_length=300)
    source = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=DraftState, default=DraftState.DRAFT)
    drafted_at = models.DateTimeField()
    drafted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    edition = models.PositiveIntegerField(null=True, blank=True)
    """The edition of the plans that shows it: given when it begins to be applied."""

    class Meta:
        indexes = [models.Index(fields=["state", "-id"], name="draft_by_state")]

    def __str__(self) -> str:
        return f"policy draft {self.public_id}"


class RunStep(models.TextChoices):
    """What is being done with a draft in the background."""

    PREVIEW = "preview", "Working out what it would do"
    STAGE = "stage", "Working out the new plans"
    TIDY = "tidy", "Clearing away the old plans"
    DONE = "done", "Nothing left to do"


class PolicyRun(models.Model):
    """How far the work on a draft has come; its row is locked by whoever does the next batch."""

    draft = models.OneToOneField(PolicyDraft, models.CASCADE, primary_key=True, related_name="run")
    step = models.CharField(max_length=8, choices=RunStep)
    after = models.BigIntegerField(default=0)
    """The last patient done; the next batch starts behind."""
    done = models.PositiveIntegerField(default=0)
    of = models.PositiveIntegerField(default=0)
    as_of = models.DateField(null=True)
    """The day the preview counts for: the version's first, or the clinic's day where that is later."""
    previewed_at = models.DateTimeField(null=True)
    basis = models.PositiveIntegerField(default=0)
    """The edition of the plans that the preview was worked out with."""
    job = models.ForeignKey(Job, models.PROTECT, null=True, related_name="+")

    def __str__(self) -> str:
        return f"run of {self.draft_id}"


class PolicyEffect(models.Model):
    """What a draft would do to one line (or, with no kind, to a patient's cleaning lists).

    Derived like a plan, and written by the preview alone. Dates as on plan lines, before and after.
    """

    draft = models.ForeignKey(PolicyDraft, models.CASCADE, related_name="effects", db_index=False)
    patient = models.ForeignKey(Patient, models.CASCADE, related_name="+")
    location = models.ForeignKey(Location, models.CASCADE, related_name="+", db_index=False)
    payer = models.ForeignKey(Payer, models.CASCADE, null=True, related_name="+", db_index=False)
    kind = models.CharField(max_length=20, blank=True)
    part_code = models.CharField(max_length=8, blank=True)
    change = models.CharField(max_length=20)
    supply_ends_before = models.DateField(null=True)
    supply_ends_after = models.DateField(null=True)
    refill_before = models.DateField(null=True)
    refill_after = models.DateField(null=True)
    ask_before = models.DateField(null=True)
    ask_after = models.DateField(null=True)
    deliver_before = models.DateField(null=True)
    deliver_after = models.DateField(null=True)
    parts_before = models.PositiveIntegerField(default=0)
    parts_after = models.PositiveIntegerField(default=0)
    lists_before = ArrayField(models.CharField(max_length=60), default=list)
    lists_after = ArrayField(models.CharField(max_length=60), default=list)
    """Cleaning tasks as `frequency:task`."""

    class Meta:
        indexes = [
            models.Index(fields=["draft", "id"], name="effect_page"),
            models.Index(fields=["draft", "change", "id"], name="effect_page_of_change"),
            models.Index(fields=["draft", "location", "id"], name="effect_page_of_place"),
        ]

    def __str__(self) -> str:
        return f"effect {self.pk}"


class PolicyTotal(models.Model):
    """A preview in numbers, for the patients of one location and payer. `before` and `after`: counts by word;
    `changes`: lines by what happens to them.
    """

    draft = models.ForeignKey(PolicyDraft, models.CASCADE, related_name="totals")
    location = models.ForeignKey(Location, models.CASCADE, related_name="+", db_index=False)
    payer = models.ForeignKey(Payer, models.CASCADE, null=True, related_name="+", db_index=False)
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    changes = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["draft", "location", "payer"], nulls_distinct=False, name="policy_total_once"
            )
        ]

    def __str__(self) -> str:
        return f"policy total {self.pk}"
