"""The ledgers a plan is worked out from: what was given, and what happened to it."""

import uuid

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Upper

from resupply.models.answers import RefillAnswerItem
from resupply.models.base import Voidable, tracked
from resupply.models.encrypted import EncryptedTextField
from resupply.models.equipment import KIND_CHOICES, CatalogueItem, Order
from resupply.models.imports import ImportBatch
from resupply.models.payers import Payer
from resupply.models.people import Location, Patient
from resupply.rules.kinds import Kind

LARGEST_QUANTITY = 500
"""More units than any patient is given on one day: a larger number is a slip of the keyboard."""


class Given(models.TextChoices):
    """How a dispense reached the patient."""

    IN_PERSON = "in_person", "In person"
    SHIPPED = "shipped", "Shipped"


class SuppliedBy(models.TextChoices):
    """Whose parts they were."""

    US = "us", "This clinic"
    ELSEWHERE = "elsewhere", "Another supplier"


class Parcel(models.TextChoices):
    """What became of a shipped dispense, where it did not arrive."""

    UNDELIVERED = "undelivered", "Came back undelivered"
    LOST = "lost", "Lost on the way"


class Notice(models.TextChoices):
    """Whether the patient got the written notice owed where a payer is expected to deny."""

    NOT_OWED = "not_owed", "No notice is owed"
    GIVEN = "given", "Written notice given"
    DECLINED = "declined", "Written notice offered, not signed"


@tracked
class Dispense(Voidable):
    """Parts given to a patient on a date, in person or shipped; that date is its delivery date."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="dispenses")
    location = models.ForeignKey(Location, models.PROTECT, related_name="dispenses")
    dispensed_on = models.DateField()
    given = models.CharField(max_length=10, choices=Given, default=Given.IN_PERSON)
    supplied_by = models.CharField(max_length=10, choices=SuppliedBy, default=SuppliedBy.US)
    carrier = models.CharField(max_length=60, blank=True)
    tracking_id = models.CharField(max_length=60, blank=True)
    delivery_address = EncryptedTextField(blank=True)
    """Where it was shipped to, as the address was then."""
    order = models.ForeignKey(Order, models.PROTECT, null=True, blank=True, related_name="+")
    """The prescriber's order in force that day."""
    parcel = models.CharField(max_length=12, choices=Parcel, blank=True)
    parcel_on = models.DateField(null=True, blank=True)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="dispenses")
    form_key = models.UUIDField(null=True, unique=True, editable=False)
    """Key of the form that was sent: a second press of the button finds the first dispense."""

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(fields=["patient", "dispensed_on", "id"], name="dispense_by_patient"),
            models.Index(fields=["dispensed_on", "id"], name="dispense_newest"),
            models.Index(fields=["location", "dispensed_on", "id"], name="dispense_by_location"),
        ]

    def __str__(self) -> str:
        return f"dispense {self.public_id}"

    @property
    def number(self) -> str:
        """The number on its slip."""
        return f"D{self.pk:06d}"


@tracked
class DispenseLine(Voidable):
    """So many units of one code within a dispense; `contains` lists the codes packed in each mask."""

    dispense = models.ForeignKey(Dispense, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    item = models.ForeignKey(CatalogueItem, models.PROTECT, null=True, blank=True, related_name="+")
    part_code = models.CharField(max_length=8)
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    quantity = models.PositiveSmallIntegerField()
    lot = models.CharField(max_length=40, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    first_use_on = models.DateField(null=True, blank=True)
    billed = models.BooleanField(default=False)
    billed_to = models.ForeignKey(Payer, models.PROTECT, null=True, blank=True, related_name="+")
    family = models.CharField(max_length=60, blank=True)
    contains = ArrayField(models.CharField(max_length=8), default=list, blank=True)
    serial = models.CharField(max_length=40, blank=True)
    size_kept = models.CharField(max_length=20, blank=True)
    """Of a fit pack: the size the patient kept."""
    answer_item = models.ForeignKey(
        RefillAnswerItem, models.PROTECT, null=True, blank=True, related_name="dispense_lines"
    )
    """The patient's own yes it was given from."""
    exchange_of = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="exchanged_for"
    )
    exception_reason = models.CharField(max_length=300, blank=True)
    """Typed by staff where the line lies outside the limits; the payer may deny it."""
    exception_stops = ArrayField(models.CharField(max_length=24), default=list, blank=True)
    """Codes of the limits it lies outside of (`rules.stops`)."""
    notice = models.CharField(max_length=8, choices=Notice, blank=True)
    notice_on = models.DateField(null=True, blank=True)
    import_key = models.CharField(max_length=64, null=True, unique=True, editable=False)

    class Meta(Voidable.Meta):
        ordering = ["position"]
        indexes = [
            # In capitals: a lot typed from a notice is found however it was typed from the label.
            models.Index(Upper("lot"), name="dispense_line_lot_upper", condition=~Q(lot="")),
        ]
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(fields=["dispense", "position"], name="dispense_line_position_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=LARGEST_QUANTITY),
                name="dispense_quantity_in_range",
            ),
            models.CheckConstraint(
                condition=Q(billed_to=None) | Q(billed=True),
                name="billed_line_names_its_payer_only_if_billed",
            ),
            models.CheckConstraint(
                condition=Q(contains=[]) | Q(kind=Kind.MASK.value), name="only_masks_contain_parts"
            ),
            models.CheckConstraint(
                condition=Q(notice="given", notice_on__isnull=False)
                | (~Q(notice="given") & Q(notice_on=None)),
                name="notice_given_has_its_day",
            ),
        ]

    def __str__(self) -> str:
        return f"dispense line {self.pk}"


class EventType(models.TextChoices):
    """What happened to a part, or to the therapy."""

    SWAP = "swap", "Part changed"
    LOSS = "loss", "Lost or broken"
    PAUSE = "pause", "Therapy paused"
    REFIT = "refit", "Refitted"


@tracked
class Event(Voidable):
    """A swap, loss, pause or refit on a day.

    A pause without an end is open; `until` is the first day after it.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="events")
    event = models.CharField(max_length=8, choices=EventType)
    kind = models.CharField(max_length=20, choices=KIND_CHOICES, blank=True)
    on = models.DateField()
    until = models.DateField(null=True, blank=True)
    family = models.CharField(max_length=60, blank=True)
    by_patient = models.BooleanField(default=False)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="events")
    import_key = models.CharField(max_length=64, null=True, unique=True, editable=False)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "on", "id"], name="event_by_patient")]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(event__in=["swap", "loss"], until=None, family="") & ~Q(kind="")
                | Q(event="pause", kind="", family="")
                | Q(event="refit", kind="", until=None) & ~Q(family=""),
                name="event_has_its_fields",
            ),
            models.CheckConstraint(
                condition=Q(until=None) | Q(until__gt=F("on")), name="pause_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.event} {self.public_id}"
