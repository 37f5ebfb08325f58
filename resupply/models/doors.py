"""How patients reach their own page: a link whose token is a secret, and the devices it was opened on."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from resupply.models.people import Patient


class PatientLink(models.Model):
    """The address of a patient's own page. Only the hash of its token is kept; the address is shown once.

    A device that opens it gives the date of birth once; wrong dates are counted here, and too many lock the
    link until `locked_until`.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="links")
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    last_opened_at = models.DateTimeField(null=True, blank=True)
    wrong_tries = models.PositiveSmallIntegerField(default=0)
    locked_until = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=models.F("created_at")), name="link_expires_after_it_began"
            ),
            # Two live addresses would be two secrets to keep: a renewal ends the one before.
            models.UniqueConstraint(
                fields=["patient"], condition=Q(revoked_at=None), name="patient_link_live_once"
            ),
        ]

    def __str__(self) -> str:
        return f"link {self.public_id}"


class Door(models.Model):
    """A device on which the date of birth was given. Its cookie holds a key; only the key's hash is kept.

    It opens this one link, and ends with it.
    """

    link = models.ForeignKey(PatientLink, models.PROTECT, related_name="doors")
    key_hash = models.CharField(max_length=64, unique=True, editable=False)
    opened_at = models.DateTimeField(default=timezone.now, editable=False)

    def __str__(self) -> str:
        return f"door {self.pk}"
