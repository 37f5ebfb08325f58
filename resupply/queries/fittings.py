"""Fittings of a patient with what was tried, and the masks that may be tried on."""

from dataclasses import dataclass
from datetime import date

from resupply.models import CatalogueItem, Fitting, Patient
from resupply.queries.screening import blocks_magnets
from resupply.rules.kinds import Kind
from resupply.rules.magnets import may_hold_magnets


@dataclass(frozen=True, slots=True)
class MaskOffer:
    """Masks of a known style that may be put on a patient, and how many are stopped for their magnets."""

    masks: list[CatalogueItem]
    stopped: int


def fittings(patient: Patient) -> list[Fitting]:
    """A patient's fittings with their tries, newest first, voided ones too. Two queries."""
    rows = Fitting.objects.filter(patient=patient).select_related(
        "recorded_by", "voided_by", "item_kept", "refit", "dispense", "location"
    )
    return list(rows.prefetch_related("tries__item").order_by("-fitted_on", "-pk"))


def masks(patient: Patient, *, today: date) -> MaskOffer:
    """The masks the clinic offers; none that holds magnets, or may, while they are stopped. Two queries."""
    known = CatalogueItem.objects.filter(kind=Kind.MASK, is_offered=True).exclude(style="")
    offered = list(known.order_by("style", "name", "size"))
    if patient.pk not in blocks_magnets([patient.pk], today=today):
        return MaskOffer(offered, 0)
    free = [mask for mask in offered if not may_hold_magnets(Kind.MASK, mask.magnetic)]
    return MaskOffer(free, len(offered) - len(free))
