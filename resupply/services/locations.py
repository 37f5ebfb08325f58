"""Writes about locations: added, corrected, closed and opened again, never deleted.

Days on record stay as they were dated; the zone of a location dates what is dispensed there from then on.
No stored plan reads a location, so nothing is refreshed.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from zoneinfo import available_timezones

import pghistory
from django.contrib.auth.base_user import AbstractBaseUser
from django.db import IntegrityError, transaction

from resupply.models import Location, Patient, PatientStatus, StockLevel
from resupply.services.errors import Refused
from resupply.services.open_days import set_weekdays

WORKDAYS = frozenset(range(5))
"""Monday to Friday."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocationDetails:
    """What is typed about a location. `phone` and `address` stand in messages and on slips."""

    name: str
    time_zone: str
    phone: str = ""
    address: str = ""


def add_location(
    details: LocationDetails, *, weekdays: Collection[int] = WORKDAYS, by: AbstractBaseUser | None
) -> Location:
    """Add a location that gives and ships parts on these weekdays (0 is Monday).

    Raises Refused: `name_missing`, `name_taken`, `time_zone`, `no_weekday`.
    """
    location = Location()
    with transaction.atomic():
        _save(location, details, by=by)
        if set(weekdays) != WORKDAYS:
            set_weekdays(location, weekdays)
    return location


def change_location(location: Location, details: LocationDetails, *, by: AbstractBaseUser | None) -> Location:
    """Correct a location; its history keeps what was there before. Refuses what `add_location` does."""
    return _save(location, details, by=by)


def close_location(location: Location, *, on: date, by: AbstractBaseUser | None) -> Location:
    """Close a location from a day on: nobody new belongs to it, its records stay.

    Raises Refused: `closed_already`, `last_open`, `has_patients` (on therapy), `has_stock`.
    """
    with pghistory.context(user=by.pk if by else None), transaction.atomic():
        # In full, so that no patient is moved here meanwhile; all of them, so that two cannot close the last.
        places = {place.pk: place for place in Location.objects.select_for_update().order_by("pk")}
        held = places[location.pk]
        if held.closed_on is not None:
            raise Refused("closed_already", f"{held.name} is closed already.")
        if not any(place.closed_on is None for pk, place in places.items() if pk != held.pk):
            raise Refused("last_open", "One location must stay open. Add the one that follows it first.")
        _check_empty(held)
        held.closed_on = on
        held.save(update_fields=["closed_on"])
    return held


def open_location(location: Location, *, by: AbstractBaseUser | None) -> Location:
    """Open a closed location again."""
    with pghistory.context(user=by.pk if by else None):
        location.closed_on = None
        location.save(update_fields=["closed_on"])
    return location


def _check_empty(location: Location) -> None:
    """Nobody is looked after from here, and nothing lies on its shelves."""
    here = Patient.objects.filter(location=location, status=PatientStatus.ON_THERAPY).count()
    if here:
        who = "1 patient" if here == 1 else f"{here} patients"
        raise Refused("has_patients", f"{who} on therapy belong here. Give them another location first.")
    if StockLevel.objects.filter(location=location).exclude(on_hand=0).exists():
        raise Refused("has_stock", "Parts lie on its shelves by the records. Move or count them first.")


def _save(location: Location, details: LocationDetails, *, by: AbstractBaseUser | None) -> Location:
    """Check and write; who did it stands with the change."""
    name = " ".join(details.name.split())
    if not name:
        raise Refused("name_missing", "Name the location as patients know it.", "name")
    if details.time_zone not in available_timezones():
        raise Refused("time_zone", "Choose the time zone of the place.", "time_zone")
    twin = Location.objects.filter(name__iexact=name).exclude(pk=location.pk).first()
    if twin is not None:
        raise Refused("name_taken", f"There is a location “{twin.name}” already.", "name")
    location.name, location.time_zone = name, details.time_zone
    location.phone, location.address = details.phone.strip(), details.address.strip()
    try:
        with pghistory.context(user=by.pk if by else None), transaction.atomic():
            location.save()
    except IntegrityError:  # somebody else was quicker with the same name
        raise Refused("name_taken", f"There is a location “{name}” already.", "name") from None
    return location
