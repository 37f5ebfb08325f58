"""What stops a part whatever the reason typed: magnets near implants, and recalls."""

import uuid

from django.db import models
from django.db.models import F, Q

from resupply.models.base import Voidable, tracked
from resupply.models.equipment import CatalogueItem
from resupply.models.people import Patient


class Said(models.TextChoices):
    """An answer about implants and objects that magnets may affect."""

    NO = "no", "No"
    YES = "yes", "Yes"
    UNKNOWN = "unknown", "Not known"


@tracked
class MagnetScreen(Voidable):
    """One asking about implants and objects, of the wearer and of anyone in close contact.

    The newest standing screen counts; none, a "not known" or one older than a year counts as a yes. `details`
    holds the answers item by item and is shown to those who care for the patient only. A yes holds until a
    therapist records, by a new screen with `cleared_reason`, that it no longer applies.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="magnet_screens")
    asked_on = models.DateField()
    wearer = models.CharField(max_length=8, choices=Said)
    close_contact = models.CharField(max_length=8, choices=Said)
    details = models.JSONField(default=dict)
    by_patient = models.BooleanField(default=False)
    cleared_reason = models.CharField(max_length=300, blank=True)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-id"], name="magnet_screen_newest")]

    def __str__(self) -> str:
        return f"magnet screen {self.public_id}"


@tracked
class Recall(Voidable):
    """A recall or hold: what it names is not dispensed while it stands, whatever reason is typed.

    Every field that is filled narrows it: an item, a family, a billing code, a lot. At least one is.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    title = models.CharField(max_length=160)
    issued_on = models.DateField()
    source = models.CharField(max_length=200)
    """Who ordered it: a regulator's notice or the part's maker's letter, as the clinic files it."""
    item = models.ForeignKey(CatalogueItem, models.PROTECT, null=True, blank=True, related_name="recalls")
    family = models.CharField(max_length=60, blank=True)
    part_code = models.CharField(max_length=8, blank=True)
    lot = models.CharField(max_length=40, blank=True)
    given_from = models.DateField(null=True, blank=True)
    given_until = models.DateField(null=True, blank=True)
    """First and last day of dispense it concerns, where its notice says so: they narrow who is to be told,
    never what is stopped."""
    advice = models.TextField(blank=True)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(item__isnull=False) | ~Q(family="") | ~Q(part_code="") | ~Q(lot=""),
                name="recall_names_something",
            ),
            models.CheckConstraint(
                condition=Q(given_from=None) | Q(given_until=None) | Q(given_until__gte=F("given_from")),
                name="recall_days_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"recall {self.public_id}"
