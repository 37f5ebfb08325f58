"""How patients are written to: the clinic's terms as dated versions, patients' wishes, addresses that
failed.
"""

from datetime import time

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from resupply.models.base import Voidable, tracked
from resupply.models.encrypted import Blind, EncryptedTextField
from resupply.models.outbox import Message
from resupply.models.people import Channel, Patient


@tracked
class MessageTermsVersion(Voidable):
    """When and how often messages go out, from a day on. `rules/message_terms.py` says what is allowed.

    `second_ask_days`: a question nobody answers is asked once more; `link_ahead_days`: how long before its
    end the link of a patient's own page is written about.
    """

    effective_from = models.DateField()
    opens = models.TimeField(default=time(9))
    closes = models.TimeField(default=time(20))
    per_week = models.PositiveSmallIntegerField(default=3)
    second_ask_days = models.PositiveSmallIntegerField(default=5)
    link_ahead_days = models.PositiveSmallIntegerField(default=14)
    reason = models.CharField(max_length=300)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(opens__gte=time(8), closes__lte=time(21), closes__gt=F("opens")),
                name="message_hours_within_limits",
            ),
            models.CheckConstraint(
                condition=Q(per_week__gte=1, per_week__lte=3), name="messages_per_week_within_limits"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="message_terms_have_reason"),
        ]

    def __str__(self) -> str:
        return f"messages {self.opens:%H:%M} to {self.closes:%H:%M}, {self.per_week} a week"


@tracked
class MessageWish(Voidable):
    """How a patient likes to be written to, where they may be: the channel first tried (empty: none named),
    and whether messages may say what they are about. The newest standing record counts; none: mail, neutral.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="message_wishes")
    channel = models.CharField(max_length=8, choices=Channel, blank=True)
    detailed = models.BooleanField(default=False)
    by_patient = models.BooleanField(default=False)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-id"], name="message_wish_newest")]

    def __str__(self) -> str:
        return f"message wish {self.pk}"


@tracked
class BadAddress(models.Model):
    """An address that a carrier said does not exist: nothing goes there until it is changed or confirmed."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="bad_addresses")
    channel = models.CharField(max_length=8, choices=Channel)
    address = EncryptedTextField()
    since = models.DateTimeField()
    message = models.ForeignKey(Message, models.PROTECT, related_name="+")
    detail = models.CharField(max_length=200, blank=True)
    confirmed_at = models.DateTimeField(null=True, blank=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    confirm_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                "patient",
                "channel",
                Blind("address"),
                name="bad_address_once",
                condition=Q(confirmed_at=None),
            ),
            models.CheckConstraint(
                condition=Q(confirmed_at=None) | ~Q(confirm_reason=""), name="confirmed_address_says_why"
            ),
        ]

    def __str__(self) -> str:
        return f"bad address {self.pk}"  # never the address: this string reaches logs
