"""Fittings of a patient with what was tried, and the masks that may be tried on."""

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.db.models import Value
from django.db.models.functions import Coalesce

from resupply.models import CatalogueItem, DispenseLine, Fitting, Patient
from resupply.queries.screening import givable
from resupply.rules.fitting import known_styles
from resupply.rules.kinds import Kind


@dataclass(frozen=True, slots=True)
class MaskOffer:
    """Masks of a known style that may be put on a patient, and how many are stopped for their magnets."""

    masks: list[CatalogueItem]
    stopped: int


def fittings(patient: Patient) -> list[Fitting]:
    """A patient's fittings with their tries, newest first, voided ones too. Three queries."""
    rows = Fitting.objects.filter(patient=patient).select_related(
        "recorded_by", "voided_by", "item_kept", "refit", "dispense", "location"
    )
    return list(rows.prefetch_related("tries__item").order_by("-fitted_on", "-pk"))


def waiting(patient: Patient, public_id: UUID) -> Fitting | None:
    """A fitting of the patient that kept a mask whose dispense is not on record yet."""
    rows = Fitting.objects.filter(patient=patient, public_id=public_id, voided_at=None, dispense=None)
    return rows.filter(item_kept__isnull=False).select_related("item_kept").first()


def masks(patient: Patient, *, today: date) -> MaskOffer:
    """The masks the clinic offers whose leak sites are known by their style; none that holds magnets, or may,
    while they are stopped. Two queries.
    """
    known = CatalogueItem.objects.filter(kind=Kind.MASK, is_offered=True, style__in=known_styles())
    offered = list(known.order_by("style", "name", "size"))
    free = givable(patient.pk, offered, today=today)
    return MaskOffer(free, len(offered) - len(free))


def style_worn(patient: Patient, *, today: date) -> str:
    """The style of the mask a patient wears: of the mask kept or given last; empty where it is not known,
    as of a mask on record by its code alone.
    """
    kept = (
        Fitting.objects.filter(patient=patient, voided_at=None, item_kept__isnull=False, fitted_on__lte=today)
        .order_by("-fitted_on", "-pk")
        .values_list("fitted_on", "item_kept__style")
        .first()
    )
    given = (
        DispenseLine.objects.filter(
            dispense__patient=patient, kind=Kind.MASK, voided_at=None, dispense__dispensed_on__lte=today
        )
        .order_by("-dispense__dispensed_on", "-pk")
        .values_list("dispense__dispensed_on", Coalesce("item__style", Value("")))
        .first()
    )
    newest: tuple[date, str] | None = max(filter(None, (kept, given)), key=lambda row: row[0], default=None)
    return newest[1] if newest and newest[1] in known_styles() else ""
