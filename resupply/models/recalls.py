"""Reaching those who were given what a recall names: the notice, and what came of each contact."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.answers import AnswerChannel
from resupply.models.base import Voidable, tracked
from resupply.models.people import Patient
from resupply.models.safety import Recall


@tracked
class RecallNotice(Voidable):
    """Everyone who was given what a recall names is to be reached; open until each is, or is written off."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    recall = models.ForeignKey(Recall, models.PROTECT, related_name="notices")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_note = models.CharField(max_length=300, blank=True)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                fields=["recall"], condition=Q(voided_at=None), name="one_standing_notice_per_recall"
            ),
        ]

    def __str__(self) -> str:
        return f"recall notice {self.public_id}"


class RecallOutcome(models.TextChoices):
    """What came of a contact about a recall."""

    REACHED = "reached", "Reached, knows of the notice"
    RETURNED = "returned", "Part returned"
    REPLACED = "replaced", "Part replaced"
    NO_ANSWER = "no_answer", "No answer"
    LEFT_WORD = "left_word", "Left a message"
    WRONG_ADDRESS = "wrong", "Wrong number or address"
    WRITTEN_OFF = "written_off", "Written off"


SETTLES = (
    RecallOutcome.REPLACED,
    RecallOutcome.RETURNED,
    RecallOutcome.REACHED,
    RecallOutcome.WRITTEN_OFF,
)
"""Outcomes after which nobody has to try again, the one that says most first."""


@tracked
class RecallContact(Voidable):
    """One contact with a patient about a recall, made or tried; a write-off says why in `note`."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    recall = models.ForeignKey(Recall, models.PROTECT, related_name="contacts")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="recall_contacts")
    on = models.DateField()
    channel = models.CharField(max_length=10, choices=AnswerChannel, blank=True)
    """How; empty for a write-off."""
    outcome = models.CharField(max_length=12, choices=RecallOutcome)
    note = models.CharField(max_length=500, blank=True)

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["recall", "patient", "-id"], name="recall_contact_newest")]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(outcome="written_off", channel="") & ~Q(note="")
                | ~Q(outcome="written_off") & ~Q(channel=""),
                name="recall_write_off_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"recall contact {self.public_id}"
