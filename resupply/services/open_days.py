"""When a location gives and ships parts: its open weekdays, and its days off among them.

Deliveries are planned on open days (`rules.bundling`). No plan is stored for them, so nothing is refreshed.
"""

from collections.abc import Collection, Sequence
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import ClosedDay, Location
from resupply.services.errors import Refused
from resupply.services.records import said, stamp, take_back

LONGEST_REASON = 120


def set_weekdays(location: Location, weekdays: Collection[int]) -> Location:
    """Store the open weekdays (0 is Monday) of a location; its history keeps those before.

    Raises Refused: `no_weekday`.
    """
    if not set(weekdays) & set(range(7)):
        raise Refused("no_weekday", "Choose at least one weekday on which parts go out.", "weekdays")
    location.open_weekdays = "".join(str(day) for day in range(7) if day in weekdays)
    location.save(update_fields=["open_weekdays"])
    return location


def close_day(
    locations: Sequence[Location],
    *,
    day: date,
    reason: str,
    by: AbstractBaseUser | None,
    today: date,
    now: datetime,
) -> list[ClosedDay]:
    """Close locations on a day, those that are open on it; returns the days off that were added.

    Raises Refused: `past`, `reason_missing`, `reason_long`, `closed_anyway` (none of them is open that day).
    """
    reason = reason.strip()
    if day < today:
        raise Refused("past", f"{said(day)} is over. Enter a day that is still to come.", "day")
    if not reason:
        raise Refused("reason_missing", "Say why: a holiday, a day for training.", "reason")
    if len(reason) > LONGEST_REASON:
        raise Refused("reason_long", f"Keep the reason to {LONGEST_REASON} characters.", "reason")
    with transaction.atomic():
        places = Location.objects.select_for_update(no_key=True).filter(pk__in=[one.pk for one in locations])
        closed = ClosedDay.objects.standing().filter(location__in=locations, day=day)
        shut = set(closed.values_list("location", flat=True))
        open_then = [
            place
            for place in places.order_by("pk")
            if str(day.weekday()) in place.open_weekdays and place.pk not in shut
        ]
        if not open_then:
            raise Refused("closed_anyway", f"Nobody gives parts on {said(day)} as it is.", "day")
        return ClosedDay.objects.bulk_create(
            ClosedDay(location=place, day=day, reason=reason, **stamp(by, now)) for place in open_then
        )


def open_again(closed: ClosedDay, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take a day off back with a reason: the location is open on it.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        Location.objects.select_for_update(no_key=True).get(pk=closed.location_id)
        take_back(closed, reason=reason, by=by, now=now)
