"""Messages on their way out. The row is the truth; the queue is a doorbell."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.encrypted import EncryptedTextField
from resupply.models.equipment import KIND_CHOICES
from resupply.models.people import Channel, Patient
from resupply.rules.replies import Reply


class MessageState(models.TextChoices):
    """How far a message has come."""

    WAITING = "waiting", "Waiting"
    SENDING = "sending", "Being sent"
    SENT = "sent", "Sent"
    CANCELLED = "cancelled", "No longer needed"
    FAILED = "failed", "Could not be sent"


RAN_LATE = "Could not be sent within its day."
"""What `last_error` says of a message whose day ended before it went out; an index says it too."""


class Message(models.Model):
    """One message to one patient on one day; written with its cause, sent by a worker that claims it.

    A claim raises `fence` and holds the row until `leased_until`; only the holder of the fence may finish it.
    What was sent is kept in `subject` and `body_text`.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="messages")
    channel = models.CharField(max_length=8, choices=Channel)
    purpose = models.CharField(max_length=16)
    question = models.ForeignKey(
        "resupply.RefillQuestion", models.PROTECT, null=True, blank=True, related_name="messages"
    )
    """The refill question it carries; None: it asks for a call."""
    recall = models.ForeignKey(
        "resupply.Recall", models.PROTECT, null=True, blank=True, related_name="messages"
    )
    """The recall it is about, where it is about one."""
    day = models.DateField()
    state = models.CharField(max_length=10, choices=MessageState, default=MessageState.WAITING)
    created_at = models.DateTimeField()
    not_before = models.DateTimeField()
    expires_at = models.DateTimeField()
    leased_until = models.DateTimeField(null=True)
    fence = models.PositiveIntegerField(default=0)
    attempts = models.PositiveSmallIntegerField(default=0)
    is_unsure = models.BooleanField(default=False)
    """A send broke off after it had begun, so the message may have arrived; it is tried only once more."""
    finished_at = models.DateTimeField(null=True)
    address = EncryptedTextField(blank=True)
    provider_ref = models.CharField(max_length=128, blank=True, default="", db_default="")
    """The carrier's own name for it, by which it tells later what became of it."""
    delivered_at = models.DateTimeField(null=True, blank=True)
    bounced_at = models.DateTimeField(null=True, blank=True)
    bounce_detail = models.CharField(max_length=200, blank=True, default="", db_default="")
    resend_of = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="resends")
    """The message that a member of staff had sent once more."""
    handled_at = models.DateTimeField(null=True, blank=True)
    """When somebody saw that it did not arrive, and said what came of it in `handled_note`."""
    handled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    handled_note = models.CharField(max_length=300, blank=True, default="", db_default="")
    subject = models.CharField(max_length=200, blank=True)
    body_text = models.TextField(blank=True)
    last_error = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "day"],
                name="one_message_per_patient_and_day",
                condition=~Q(purpose__in=tuple(reply.value for reply in Reply))
                & Q(recall=None, resend_of=None),
            ),
            models.UniqueConstraint(
                fields=["patient", "channel", "recall"],
                name="one_message_per_patient_and_recall",
                condition=Q(recall__isnull=False, state__in=["waiting", "sending", "sent"]),
            ),
        ]
        indexes = [
            models.Index(
                fields=["not_before", "id"],
                name="message_to_send",
                condition=Q(state__in=["waiting", "sending"]),
            ),
            models.Index(
                fields=["provider_ref"], name="message_by_provider_ref", condition=~Q(provider_ref="")
            ),
            models.Index(
                fields=["-finished_at", "id"],
                name="message_gone_wrong",
                condition=(Q(state="failed") | Q(bounced_at__isnull=False)) & Q(handled_at=None),
            ),
            models.Index(fields=["patient", "day"], name="message_by_day"),
            models.Index(
                fields=["day"],
                name="message_ran_late",
                condition=Q(state="cancelled", last_error=RAN_LATE, handled_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"message {self.public_id}"


class MessageReason(models.Model):
    """Why a message is sent: a line reached a reminder step of the refill whose supply ends on that day.

    A step is written about once. A reason that no longer held, or whose message never went out, does not
    stand: should the step be reached again, a later message may carry it.
    """

    message = models.ForeignKey(Message, models.PROTECT, related_name="reasons")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="+")
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    step = models.CharField(max_length=16)
    supply_ends_on = models.DateField()
    stands = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "kind", "supply_ends_on", "step"],
                name="reminder_step_once",
                condition=Q(stands=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.step} {self.kind}"


class MessageOccasion(models.Model):
    """Why a message is sent besides a refill: a part change, a follow-up, a link that ends, a welcome.

    `purpose` is one of `rules.reminders.Purpose`; `key` names the occasion among those of the patient and
    purpose, `on` is its day. An occasion is written about once; one that no longer held, or whose message
    never went out, does not stand.
    """

    message = models.ForeignKey(Message, models.PROTECT, related_name="occasions")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="+")
    purpose = models.CharField(max_length=16)
    key = models.CharField(max_length=60)
    on = models.DateField()
    stands = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "purpose", "key"], name="occasion_once", condition=Q(stands=True)
            )
        ]

    def __str__(self) -> str:
        return f"{self.purpose} {self.on}"


class StopLink(models.Model):
    """The one-click way out that one copy of a mail carried (RFC 8058): only the hash of its token is
    kept.
    """

    message = models.ForeignKey(Message, models.PROTECT, related_name="stop_links")
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"stop link {self.pk}"


class Heartbeat(models.Model):
    """The last time a beat travelled scheduler, queue, worker and database."""

    name = models.CharField(max_length=20, unique=True)
    beat_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name
