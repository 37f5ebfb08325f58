"""Open days of locations, as the planning of deliveries reads them."""

from collections import defaultdict
from collections.abc import Collection
from datetime import date

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef

from resupply.models import ClosedDay, Location
from resupply.rules.bundling import OpenDays


def open_days(location_ids: Collection[int] | None = None, *, since: date) -> dict[int, OpenDays]:
    """The open days of locations (None: of all) from a day on, by location id. Two queries."""
    places = Location.objects.all()
    if location_ids is not None:
        places = places.filter(pk__in=location_ids)
    weekdays = dict(places.order_by().values_list("pk", "open_weekdays"))
    closed: dict[int, set[date]] = defaultdict(set)
    rows = ClosedDay.objects.standing().filter(location__in=weekdays, day__gte=since)
    for location, day in rows.order_by().values_list("location", "day"):
        closed[location].add(day)
    return {pk: read(digits, closed.get(pk, ())) for pk, digits in weekdays.items()}


def of_location(location: Location, *, since: date) -> OpenDays:
    """The open days of a location that is at hand, from a day on. One query."""
    rows = ClosedDay.objects.standing().filter(location=location, day__gte=since)
    return read(location.open_weekdays, rows.order_by().values_list("day", flat=True))


def days_off_column(place: str, *, since: date) -> ArraySubquery:
    """The days off, from a day on, of the location that a field of a query names, for `read`."""
    rows = ClosedDay.objects.standing().filter(location=OuterRef(place), day__gte=since)
    return ArraySubquery(rows.order_by("day").values("day"))


def read(digits: str, closed: Collection[date]) -> OpenDays:
    """Open days from the digits of `Location.open_weekdays` and the days off."""
    return OpenDays(frozenset(int(digit) for digit in digits), frozenset(closed))


def days_off_of(locations: Collection[Location], *, since: date) -> dict[int, list[ClosedDay]]:
    """The days off of locations from a day on, the next first, by location id. One query."""
    found: dict[int, list[ClosedDay]] = defaultdict(list)
    rows = ClosedDay.objects.standing().filter(location__in=locations, day__gte=since)
    for row in rows.order_by("day", "pk"):
        found[row.location_id].append(row)
    return found
