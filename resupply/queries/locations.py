"""Locations as those see them who look after them: who belongs there, who works there, what was changed."""

from typing import Any

from django.db.models import Count, F, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from resupply.models import Location, Patient, PatientStatus, Staff
from resupply.queries.row_changes import Change, changes_of

TRACKED = ("name", "time_zone", "phone", "address", "open_weekdays", "tracks_stock", "closed_on")
"""What a location says of itself, in the order in which changes are told."""


def listed() -> "QuerySet[Location]":
    """Every location, those that are open first, with `people` (on therapy) and `workers` (named for it)."""
    people = Patient.objects.filter(location=OuterRef("pk"), status=PatientStatus.ON_THERAPY)
    workers = Staff.objects.filter(locations=OuterRef("pk"), user__is_active=True)
    return Location.objects.annotate(
        people=_number(people.order_by().values("location")),
        workers=_number(workers.order_by().values("locations")),
    ).order_by(F("closed_on").asc(nulls_first=True), "name")


def works_everywhere() -> int:
    """How many members of staff are named for no location and so work at all of them."""
    return Staff.objects.filter(locations=None, user__is_active=True).count()


def changes(location: Location) -> list[Change]:
    """Who changed what of a location, newest first."""
    return changes_of(location, TRACKED)


def _number(rows: "QuerySet[Any, Any]") -> Coalesce:
    return Coalesce(Subquery(rows.annotate(number=Count("pk")).values("number")), 0)
