"""What the dispense form needs to know: the items a patient was given last, and what the clinic offers."""

from collections.abc import Iterable

from resupply.models import CatalogueItem, DispenseLine, Patient


def latest_lines(patient: Patient) -> dict[str, DispenseLine]:
    """The newest standing dispense line of each kind. One query."""
    rows = (
        DispenseLine.objects.filter(dispense__patient=patient, voided_at=None)
        .select_related("item")
        .order_by("kind", "-dispense__dispensed_on", "-pk")
        .distinct("kind")
    )
    return {row.kind: row for row in rows}


def offered_items(also: Iterable[int] = ()) -> list[CatalogueItem]:
    """The items the clinic offers, and those of `also` that it no longer does, by kind and name."""
    kept = set(also)
    return [item for item in CatalogueItem.objects.all() if item.is_offered or item.pk in kept]
