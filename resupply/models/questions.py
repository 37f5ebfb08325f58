"""The refill question: what a patient was asked, until when, by which messages, and how it ended."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.answers import RefillAnswer
from resupply.models.base import tracked
from resupply.models.equipment import KIND_CHOICES
from resupply.models.outbox import Message
from resupply.models.people import Patient


class QuestionState(models.TextChoices):
    """Where a question stands. No reply is no answer: an expired question is never a yes."""

    OPEN = "open", "Open"
    ANSWERED = "answered", "Answered"
    EXPIRED = "expired", "Expired"
    WITHDRAWN = "withdrawn", "Withdrawn"


@tracked
class RefillQuestion(models.Model):
    """One asking of one patient about the parts that fit one delivery; at most one is open at a time.

    The messages that carried it are its `messages`; each has a link of its own (`QuestionLink`).
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="refill_questions")
    state = models.CharField(max_length=10, choices=QuestionState, default=QuestionState.OPEN)
    asked_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    """Who withdrew it; None: the patient answered, or the program closed it."""
    close_reason = models.CharField(max_length=300, blank=True)
    answer = models.ForeignKey(RefillAnswer, models.PROTECT, null=True, blank=True, related_name="questions")
    """What came back, by whichever channel; the newest where it was changed."""

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["patient"], name="one_open_question_per_patient", condition=Q(state="open")
            ),
            models.CheckConstraint(
                condition=Q(state="open", closed_at=None) | (~Q(state="open") & Q(closed_at__isnull=False)),
                name="question_closed_has_a_moment",
            ),
            models.CheckConstraint(
                condition=~Q(state="answered") | Q(answer__isnull=False),
                name="answered_question_has_an_answer",
            ),
            models.CheckConstraint(
                condition=~Q(state="withdrawn") | ~Q(close_reason=""), name="withdrawn_question_says_why"
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=models.F("asked_at")), name="question_expires_after_it_was_asked"
            ),
        ]
        indexes = [
            models.Index(fields=["patient", "-asked_at"], name="question_newest"),
            models.Index(fields=["expires_at"], name="question_open", condition=Q(state="open")),
        ]

    def __str__(self) -> str:
        return f"refill question {self.public_id}"


@tracked
class QuestionPart(models.Model):
    """A part that is asked about: its code, and the end of supply that makes the refill."""

    question = models.ForeignKey(RefillQuestion, models.PROTECT, related_name="parts")
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    supply_ends_on = models.DateField()

    class Meta:
        ordering = ["question_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["question", "kind"], name="question_asks_about_a_kind_once")
        ]

    def __str__(self) -> str:
        return f"question part {self.pk}"


class QuestionLink(models.Model):
    """The link one copy of a message carried: only the hash of its token is kept.

    The token is made right before the message goes out, so that nothing from which it could be worked out is
    ever stored. A copy sent after a fault carries another; both lead to the question.
    """

    question = models.ForeignKey(RefillQuestion, models.PROTECT, related_name="links")
    message = models.ForeignKey(Message, models.PROTECT, related_name="links")
    token_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"question link {self.pk}"
