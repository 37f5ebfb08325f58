"""Programs that may read records over FHIR: who they are, what they may read, and what each has read."""

import uuid

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from resupply.models.base import tracked
from resupply.models.people import Location, Patient


class SharedResource(models.TextChoices):
    """What may be read, by its FHIR R4 name."""

    PATIENT = "Patient", "Patients"
    DEVICE = "Device", "PAP devices"
    DEVICE_REQUEST = "DeviceRequest", "Orders for parts"
    SUPPLY_DELIVERY = "SupplyDelivery", "Dispensed parts"
    TASK = "Task", "Refill questions"


@tracked
class Integration(models.Model):
    """A program with a bearer token. Only the token's hash is kept; the token is shown once.

    It reads the named resources of patients of the named locations (none named: of all), until it expires or
    is ended.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80)
    purpose = models.CharField(max_length=300)
    """Why it reads, as written down for whoever asks later."""
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    resources = ArrayField(models.CharField(max_length=16, choices=SharedResource))
    locations = models.ManyToManyField(Location, blank=True, related_name="+")
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("created_at")), name="integration_expires_after_it_began"
            ),
            models.CheckConstraint(condition=~Q(resources=[]), name="integration_reads_something"),
        ]

    def __str__(self) -> str:
        return f"integration {self.public_id}"

    @property
    def resource_words(self) -> list[str]:
        """What it may read, as staff call it."""
        return [SharedResource(name).label for name in self.resources]


class SharedRead(models.Model):
    """One request of an integration, answered or refused; never changed."""

    integration = models.ForeignKey(Integration, models.PROTECT, related_name="reads")
    at = models.DateTimeField()
    resource = models.CharField(max_length=20)
    is_search = models.BooleanField()
    status = models.PositiveSmallIntegerField()

    class Meta:
        indexes = [models.Index(fields=["integration", "-id"], name="shared_read_newest")]

    def __str__(self) -> str:
        return f"shared read {self.pk}"

    @property
    def resource_words(self) -> str:
        """What was asked for, as staff call it; what nobody offers by the name it was asked for."""
        known = dict(SharedResource.choices)
        return str(known.get(self.resource, self.resource))


class SharedRecord(models.Model):
    """A patient of whom a request was given records, and how many: for an accounting of disclosures."""

    read = models.ForeignKey(SharedRead, models.PROTECT, related_name="records")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="shared_records")
    count = models.PositiveIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["read", "patient"], name="shared_record_once")]

    def __str__(self) -> str:
        return f"shared record {self.pk}"
