"""What the records of a new clinic cannot say: steps that it has no use for, and tests of its mail."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.rules.first_steps import Step
from resupply.rules.sending import Outcome

ALL = "all"
"""Stands for the list itself, once it is finished and put away."""


@tracked
class StepAside(Voidable):
    """A first step that is not for this clinic, or (`ALL`) the list put away; voided: taken up again."""

    step = models.CharField(max_length=12)

    class Meta(Voidable.Meta):
        verbose_name = "first step put aside"
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(step__in=[ALL, *(step.value for step in Step)]), name="step_aside_is_known"
            ),
            models.UniqueConstraint(
                fields=["step"], condition=Q(voided_at=None), name="step_aside_stands_once"
            ),
        ]

    def __str__(self) -> str:
        return f"step {self.step}"


class MailTest(models.Model):
    """A test message that somebody sent, and what came of it: appended, never changed.

    `server` and `sender` are the settings as they were, without a password; where they have changed since, a
    test says nothing any more. To whom it went is not kept.
    """

    sent_at = models.DateTimeField()
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    server = models.CharField(max_length=300)
    sender = models.CharField(max_length=320)
    outcome = models.CharField(max_length=12, choices=[(one.value, one.value) for one in Outcome])
    detail = models.CharField(max_length=120, blank=True)

    class Meta:
        indexes = [models.Index(fields=["-sent_at"], name="mail_test_newest")]

    def __str__(self) -> str:
        return f"mail test {self.pk}"
