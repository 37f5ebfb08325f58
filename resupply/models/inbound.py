"""What comes back from a text gateway: texts that people sent us, and what became of texts that we sent."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import tracked
from resupply.models.encrypted import Blind, EncryptedTextField
from resupply.models.outbox import Message
from resupply.models.people import Patient
from resupply.rules.replies import Meaning


@tracked
class InboundText(models.Model):
    """A text that came in, as it came, and what it was read to mean. `event_id` is the gateway's own: a text
    that is handed over twice is one row.

    `patients` are those with this number on record when it came (a family may share a phone; none: nobody we
    know). `handled_at` says that a person saw to it, with `handled_note`; `reply` is what we answered.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    event_id = models.CharField(max_length=128, unique=True)
    from_number = EncryptedTextField()
    body = models.TextField()
    received_at = models.DateTimeField()
    meaning = models.CharField(max_length=8, choices=[(meaning.value, meaning.name) for meaning in Meaning])
    patients = models.ManyToManyField(Patient, blank=True, related_name="inbound_texts")
    reply = models.ForeignKey(Message, models.PROTECT, null=True, blank=True, related_name="+")
    needs_person = models.BooleanField(default=True)
    handled_at = models.DateTimeField(null=True, blank=True)
    handled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    handled_note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-received_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(handled_at=None) | ~Q(handled_note=""), name="inbound_text_handled_says_what"
            )
        ]
        indexes = [
            models.Index(Blind("from_number"), models.F("received_at").desc(), name="inbound_text_by_number"),
            models.Index(
                fields=["received_at"],
                name="inbound_text_waiting",
                condition=Q(needs_person=True, handled_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"inbound text {self.public_id}"  # neither number nor words: this string reaches logs


class DeliveryState(models.TextChoices):
    """What a gateway says became of a text it had taken."""

    DELIVERED = "delivered", "Delivered"
    FAILED = "failed", "Not delivered"


class DeliveryReport(models.Model):
    """What a gateway told about one of our texts; `event_id` is the gateway's own, so that twice is once."""

    event_id = models.CharField(max_length=128, unique=True)
    message = models.ForeignKey(Message, models.PROTECT, related_name="delivery_reports")
    state = models.CharField(max_length=10, choices=DeliveryState)
    detail = models.CharField(max_length=60, blank=True)
    """The gateway's code, without personal data."""
    received_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"delivery report {self.pk}"
