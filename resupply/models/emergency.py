"""Emergency access: a member of staff opens one patient of another location, for an hour, with a reason."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from resupply.models.base import tracked
from resupply.models.people import Patient


@tracked
class EmergencyAccess(models.Model):
    """One opening: by whom, of whom, why, from when until when; ended early, and what a manager noted.

    It lasts from `began_at` until `ends_at`, or `ended_at` where it was ended by hand. Who opened it is not
    who reviews it.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="emergencies")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    began_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    reviewed_at = models.DateTimeField(null=True)
    reviewed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", db_index=False
    )
    review_note = models.CharField(max_length=300, blank=True, default="")

    class Meta:
        verbose_name_plural = "emergency accesses"
        indexes = [
            models.Index(fields=["-id"], condition=Q(reviewed_at=None), name="emergency_not_reviewed"),
        ]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="emergency_has_reason"),
            models.CheckConstraint(
                condition=Q(ends_at__gt=F("began_at")), name="emergency_ends_after_it_began"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(ended_at__gte=F("began_at"), ended_at__lte=F("ends_at")),
                name="emergency_ended_while_it_lasted",
            ),
            models.CheckConstraint(
                condition=Q(reviewed_at=None, reviewed_by=None, review_note="")
                | (Q(reviewed_at__isnull=False, reviewed_by__isnull=False) & ~Q(review_note="")),
                name="emergency_review_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(reviewed_by=None) | ~Q(reviewed_by=F("user")),
                name="emergency_not_reviewed_by_self",
            ),
        ]

    def __str__(self) -> str:
        return f"emergency access {self.pk}"
