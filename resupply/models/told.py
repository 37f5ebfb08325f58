"""What patients record on their own page: cleaning done, and what somebody at the clinic should know."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.dispensing import Event
from resupply.models.equipment import KIND_CHOICES
from resupply.models.people import Patient


class CleaningTick(Voidable):
    """A cleaning task done on a day of its checklist, as the patient ticked it off. An undo is a void."""

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="cleaning_ticks")
    day = models.DateField()
    task = models.CharField(max_length=40)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                fields=["patient", "day", "task"], condition=Q(voided_at=None), name="cleaning_tick_once"
            ),
        ]

    def __str__(self) -> str:
        return f"cleaning tick {self.pk}"


class Told(models.TextChoices):
    """What a patient told the clinic."""

    LEAK = "leak", "Leak"
    SORE = "sore", "Sore spot"
    ILL = "ill", "Was ill"
    UNUSED = "unused", "Not using the equipment"
    CHANGED = "changed", "Part changed, no spare on record"


NEED_A_PERSON = (Told.LEAK, Told.SORE, Told.UNUSED, Told.CHANGED)
"""All but an illness, which adds a wash and asks nobody for anything."""


@tracked
class PatientReport(Voidable):
    """Something a patient told the clinic on the own page. `event`: the pause or swap recorded with it.

    `handled_at` says that a person saw to it, with `handled_note`.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="reports")
    told = models.CharField(max_length=8, choices=Told)
    on = models.DateField()
    kind = models.CharField(max_length=20, choices=KIND_CHOICES, blank=True)
    note = models.CharField(max_length=500, blank=True)
    event = models.ForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="reports")
    handled_at = models.DateTimeField(null=True, blank=True)
    handled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    handled_note = models.CharField(max_length=300, blank=True)

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(fields=["patient", "-id"], name="patient_report_newest"),
            models.Index(
                fields=["recorded_at"],
                name="patient_report_waiting",
                condition=Q(handled_at=None, voided_at=None) & ~Q(told=Told.ILL.value),
            ),
        ]

    def __str__(self) -> str:
        return f"patient report {self.public_id}"
