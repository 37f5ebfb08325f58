"""Locations and payers that a folder names: found, or made."""

from collections.abc import Collection, Container

from resupply.models import Location, Payer, RefillSource
from resupply.services.importing.before import Before, changed
from resupply.services.importing.rows import AllowanceRow, PatientRow

DEFAULT_LOCATION = "Main"


def home_of_unplaced() -> str:
    """Where patients belong who name no location: the clinic's only open one, else `DEFAULT_LOCATION`."""
    names = list(Location.objects.filter(closed_on=None).order_by("pk").values_list("name", flat=True)[:2])
    return names[0] if len(names) == 1 else DEFAULT_LOCATION


def find_or_make_locations(
    rows: Collection[PatientRow], known: Container[str] = frozenset()
) -> dict[str, Location]:
    """Locations by name, that of new patients who name none under the empty one too. A new one has the zone
    of the first patient naming it who states one, else UTC.

    `known`: references of patients on record, who stay where they are if their row names no location.
    """
    home, zones = home_of_unplaced(), dict[str, str]()
    for row in rows:
        if not row.location and row.reference in known:
            continue
        name = row.location or home
        zones[name] = zones.get(name) or row.time_zone
    found = {place.name: place for place in Location.objects.filter(name__in=zones)}
    missing = [
        Location(name=name, time_zone=zone or "UTC") for name, zone in zones.items() if name not in found
    ]
    found |= {place.name: place for place in Location.objects.bulk_create(missing)}
    return found | ({"": found[home]} if home in found else {})


def find_or_make_payers(
    patients: Collection[PatientRow], allowances: Collection[AllowanceRow]
) -> tuple[dict[str, Payer], list[Before]]:
    """Payers by name. One that these allowances are new for is planned by the shipped refill rule, unless it
    has its own; those whose rule that changes come second.
    """
    limited = {row.payer for row in allowances}
    names = dict.fromkeys([*(row.payer for row in patients if row.payer), *(row.payer for row in allowances)])
    found = {payer.name: payer for payer in Payer.objects.filter(name__in=names)}
    missing = [Payer(name=name) for name in names if name not in found]
    found |= {payer.name: payer for payer in Payer.objects.bulk_create(missing)}
    before = []
    for name in sorted(limited):
        if found[name].refill_source == RefillSource.CLINIC:
            fields = {"refill_source": (RefillSource.CLINIC.value, RefillSource.SHIPPED.value)}
            before.append(changed("payer", found[name].pk, fields))
            found[name].refill_source = RefillSource.SHIPPED
            found[name].save(update_fields=["refill_source"])
    return found, before
