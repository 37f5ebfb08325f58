"""What the dispense form needs to know: the items a patient was given last, and what the clinic offers."""

from collections.abc import Iterable

from resupply.models import CatalogueItem, DispenseLine, Event, EventType, Patient


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


def open_pause(patient: Patient) -> Event | None:
    """The newest pause without an end, if any."""
    pauses = Event.objects.filter(patient=patient, event=EventType.PAUSE, until=None, voided_at=None)
    return pauses.order_by("-on", "-pk").first()


def worn_family(patient: Patient) -> str:
    """The mask family the patient was fitted with or given last; empty where none is on record."""
    refit = (
        Event.objects.filter(patient=patient, event=EventType.REFIT, voided_at=None)
        .order_by("-on", "-pk")
        .first()
    )
    mask = (
        DispenseLine.objects.filter(dispense__patient=patient, kind="mask", voided_at=None)
        .exclude(family="")
        .select_related("dispense")
        .order_by("-dispense__dispensed_on", "-pk")
        .first()
    )
    if refit and (mask is None or refit.on > mask.dispense.dispensed_on):
        return refit.family
    return mask.family if mask else ""
