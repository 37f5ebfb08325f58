"""What every record shares: who recorded it and when, and how it is taken back.

Records are ledgers: appended, and voided with a reason, never edited or deleted. `known_at` answers what was
on record at a moment: recorded by then, and not voided by then.
"""

from datetime import datetime
from typing import Self, TypeVar

import pghistory
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

M = TypeVar("M", bound=models.Model)


def tracked(model: type[M]) -> type[M]:
    """Keep every insert and update of a model in `<Model>Change` rows, written by a trigger and never
    changed.
    """
    track = pghistory.track(
        model_name=f"{model.__name__}Change",
        obj_field=pghistory.ObjForeignKey(related_name="changes"),
        append_only=True,
    )
    tracked_model: type[M] = track(model)
    return tracked_model


V = TypeVar("V", bound="Voidable")


class VoidableQuerySet(models.QuerySet[V]):
    """Filters every ledger understands."""

    def standing(self) -> Self:
        """Records that have not been voided."""
        return self.filter(voided_at=None)

    def known_at(self, moment: datetime | None) -> Self:
        """Records as known at an aware moment; None: now."""
        if moment is None:
            return self.standing()
        return self.filter(Q(voided_at=None) | Q(voided_at__gt=moment), recorded_at__lte=moment)


class Voidable(models.Model):
    """A record of a ledger. A void always carries its time and its reason."""

    recorded_at = models.DateTimeField(default=timezone.now, editable=False)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    voided_at = models.DateTimeField(null=True, blank=True)
    voided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    void_reason = models.CharField(max_length=300, blank=True)

    objects: models.Manager[Self] = VoidableQuerySet.as_manager()

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(
                condition=Q(voided_at=None, void_reason="")
                | (Q(voided_at__isnull=False) & ~Q(void_reason="")),
                name="%(app_label)s_%(class)s_void_has_reason",
            )
        ]

    @property
    def is_voided(self) -> bool:
        """Whether the record has been taken back."""
        return self.voided_at is not None
