"""Private calendars: subscriptions, and the identity of what they show."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from resupply.models.people import Patient


class Subscription(models.Model):
    """A patient's private calendar address. Only the hash of its token is kept; the address is shown once.

    `body` and `etag` are what the address answers; they are stale where `fresh_until` is null or has come.
    That is a moment, the start of the patient's day on which the plan runs out: no other row is read.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="subscriptions")
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    label = models.CharField(max_length=60, blank=True)
    detailed = models.BooleanField(default=False)
    with_changes = models.BooleanField(default=True)
    with_refills = models.BooleanField(default=True)
    with_daily = models.BooleanField(default=True)
    with_weekly = models.BooleanField(default=True)
    with_monthly = models.BooleanField(default=True)
    alarm_hour = models.PositiveSmallIntegerField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    last_fetched_at = models.DateTimeField(null=True, blank=True)
    body = models.BinaryField(default=b"", editable=False)
    etag = models.CharField(max_length=64, blank=True, editable=False)
    fresh_until = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(alarm_hour=None) | Q(alarm_hour__lte=23), name="subscription_alarm_hour_0_to_23"
            ),
        ]
        indexes = [
            models.Index(fields=["fresh_until"], condition=Q(revoked_at=None), name="subscription_to_render"),
        ]

    def __str__(self) -> str:
        return f"calendar {self.public_id}"


class FeedEntry(models.Model):
    """What one calendar entry showed last: its digest, how often it changed, and when it last did.

    Kept when the entry goes, so that one that returns carries on counting.
    """

    subscription = models.ForeignKey(Subscription, models.PROTECT, related_name="entries")
    key = models.CharField(max_length=80)
    digest = models.CharField(max_length=64)
    sequence = models.PositiveIntegerField(default=0)
    changed_at = models.DateTimeField()
    is_shown = models.BooleanField(default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["subscription", "key"], name="feed_entry_once")]

    def __str__(self) -> str:
        return f"calendar entry {self.key}"
