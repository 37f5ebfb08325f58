"""The manager's overdue list: how many lines end when, what staff did about lines, and views they saved.

`SupplyEnd` counts plan lines. Triggers append a difference with each statement that writes plan lines (by
the ORM, raw SQL or COPY alike), and nobody ever waits for a row of it: the sum over its rows is the count,
and the sweep folds them (`services.supply_ends`).
"""

import uuid

import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.equipment import KIND_CHOICES
from resupply.models.outbox import Message
from resupply.models.people import Location, Patient
from resupply.models.plans import PlanLine, PlanRow


class SupplyEnd(PlanRow):
    """So many lines of patients on therapy more (or fewer) whose supply ends on a day.

    Rows with a location count by location and kind; those without, all of a day.
    """

    location = models.ForeignKey(
        Location, models.CASCADE, null=True, related_name="+", db_index=False, db_constraint=False
    )
    kind = models.CharField(max_length=20, choices=KIND_CHOICES, blank=True)
    supply_ends_on = models.DateField()
    lines = models.IntegerField()

    class Meta:
        indexes = [
            models.Index(
                fields=["location", "kind", "supply_ends_on"],
                include=["lines", "shown_from", "shown_until"],
                name="supply_end_by_place",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lines} end on {self.supply_ends_on}"


_ROW = "location_id, kind, supply_ends_on, shown_from, shown_until"


def _differences(*signed: tuple[str, int]) -> str:
    """SQL that appends what the rows of transition tables change."""
    rows = " UNION ALL ".join(
        f"SELECT {_ROW}, {sign} AS lines FROM {table} WHERE active"  # noqa: S608 - our own names
        for table, sign in signed
    )
    return f"""
        INSERT INTO resupply_supplyend ({_ROW}, lines)
        SELECT location_id, coalesce(kind, ''), supply_ends_on, shown_from, shown_until, sum(lines)
        FROM ({rows}) AS changed
        GROUP BY GROUPING SETS (
            (location_id, kind, supply_ends_on, shown_from, shown_until),
            (supply_ends_on, shown_from, shown_until))
        HAVING sum(lines) <> 0;
        RETURN NULL;"""  # noqa: S608


def _counting(name: str, operation: pgtrigger.Operation, **tables: str) -> pgtrigger.Trigger:
    signs = {"new": 1, "old": -1}
    return pgtrigger.Trigger(
        name=name,
        level=pgtrigger.Statement,
        when=pgtrigger.After,
        operation=operation,
        referencing=pgtrigger.Referencing(**tables),  # type: ignore[no-untyped-call]
        func=_differences(*((table, signs[which]) for which, table in tables.items())),
    )


class CountedPlanLine(PlanLine):
    """Plan lines with the triggers that count them."""

    class Meta:
        proxy = True
        triggers = [
            _counting("count_new_ends", pgtrigger.Insert, new="new_rows"),
            _counting("count_moved_ends", pgtrigger.Update, old="old_rows", new="new_rows"),
            _counting("count_gone_ends", pgtrigger.Delete, old="old_rows"),
            pgtrigger.Trigger(
                name="count_nothing",
                level=pgtrigger.Statement,
                when=pgtrigger.After,
                operation=pgtrigger.Truncate,
                func="DELETE FROM resupply_supplyend; RETURN NULL;",
            ),
        ]


class Act(models.TextChoices):
    """What staff do about overdue lines."""

    ASK = "ask", "Ask again"
    ASSIGN = "assign", "Assign"
    NOTE = "note", "Note"
    SNOOZE = "snooze", "Snooze"


@tracked
class BulkAct(models.Model):
    """One act on one or many lines, as it was previewed; undone as a whole."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    act = models.CharField(max_length=8, choices=Act)
    acted_at = models.DateTimeField()
    acted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    assigned_to = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    until = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    """The note, or the reason of a snooze."""
    lines_done = models.PositiveIntegerField(default=0)
    left_out = models.JSONField(default=dict)
    """How many lines were left out, by the code of the reason."""
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    lines_undone = models.PositiveIntegerField(default=0)

    class Meta:
        indexes = [models.Index(fields=["acted_by", "-id"], name="bulk_act_of_a_person")]
        constraints = [
            models.CheckConstraint(
                condition=~Q(act="snooze") | (Q(until__isnull=False) & ~Q(note="")),
                name="snooze_has_a_day_and_a_reason",
            ),
            models.CheckConstraint(condition=~Q(act="note") | ~Q(note=""), name="note_says_something"),
        ]

    def __str__(self) -> str:
        return f"act {self.public_id}"


@tracked
class LineAct(Voidable):
    """What was done about one line: assigned to somebody (None: to nobody any more), noted, snoozed, asked.

    It counts for the refill whose supply ended on `supply_ends_on`, not for the next one.
    """

    bulk = models.ForeignKey(BulkAct, models.PROTECT, related_name="lines")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="line_acts", db_index=False)
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    act = models.CharField(max_length=8, choices=Act)
    supply_ends_on = models.DateField()
    assigned_to = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    until = models.DateField(null=True, blank=True)
    message = models.ForeignKey(
        Message, models.PROTECT, null=True, blank=True, related_name="line_acts", db_index=False
    )

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(fields=["patient", "kind", "act", "-id"], name="line_act_newest"),
            models.Index(
                fields=["until", "patient", "kind"],
                name="line_act_snoozed",
                condition=Q(act="snooze", voided_at=None),
            ),
            models.Index(
                fields=["assigned_to", "patient", "kind"],
                name="line_act_assigned",
                condition=Q(act="assign", voided_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"act on a line {self.pk}"


class SavedView(models.Model):
    """Filters of the overdue list under a name, for the person who saved them."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="saved_views")
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=500)
    """Filters as they stand in the address; no patient data."""
    saved_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "name"], name="saved_view_once", condition=Q(removed_at=None)
            )
        ]

    def __str__(self) -> str:
        return f"saved view {self.pk}"
