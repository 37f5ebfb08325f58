"""The read log: whose records were shown to whom, on which page, and when. Appended, never changed."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

import pgtrigger
from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.contrib.postgres.indexes import GinIndex
from django.db import models
from django.db.models import Q

_noticed: ContextVar[set[int] | None] = ContextVar("noticed_patients", default=None)


@contextmanager
def noticing(into: set[int]) -> Iterator[None]:
    """Put the id of every patient whose record is loaded meanwhile `into` a set.

    At the model rather than at each view: a page added later is logged before anybody remembers to.
    """
    token = _noticed.set(into)
    try:
        yield
    finally:
        _noticed.reset(token)


def notice(*patient_ids: int) -> None:
    """Say that records of patients are read where that loads no `Patient`; nothing outside a request."""
    into = _noticed.get()
    if into is not None:
        into.update(patient_ids)


class ReadKind(models.TextChoices):
    """What somebody was given."""

    PAGE = "page", "Page"
    FILE = "file", "File or list taken out"
    OWN = "own", "Patient's own page"
    PROGRAM = "program", "Program with a token"


class PatientRead(models.Model):
    """One request that showed records of patients: one row, with all of them (long files: several).

    `page` and `came_from` are names of views, never addresses: those may hold secrets. `emergency` is the
    number of the emergency access under which it was read.
    """

    at = models.DateTimeField()
    kind = models.CharField(max_length=8, choices=ReadKind)
    page = models.CharField(max_length=80)
    came_from = models.CharField(max_length=80, blank=True, default="")
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", db_index=False
    )
    integration = models.ForeignKey(
        "resupply.Integration", models.PROTECT, null=True, related_name="+", db_index=False
    )
    link = models.ForeignKey(
        "resupply.PatientLink", models.PROTECT, null=True, related_name="+", db_index=False
    )
    emergency = models.BigIntegerField(null=True)
    patients = ArrayField(models.BigIntegerField())

    class Meta:
        indexes = [
            models.Index(fields=["-at", "-id"], name="patient_read_newest"),
            models.Index(fields=["user", "-at"], name="patient_read_by_user"),
            GinIndex(fields=["patients"], name="patient_read_of_patient"),
            models.Index(fields=["-id"], condition=Q(emergency__isnull=False), name="patient_read_emergency"),
        ]
        constraints = [models.CheckConstraint(condition=~Q(patients=[]), name="patient_read_of_somebody")]
        triggers = [pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)]

    def __str__(self) -> str:
        return f"patient read {self.pk}"
