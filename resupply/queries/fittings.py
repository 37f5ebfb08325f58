"""Fittings of a patient with what was tried."""

from resupply.models import Fitting, Patient


def fittings(patient: Patient) -> list[Fitting]:
    """A patient's fittings with their tries, newest first, voided ones too. Two queries."""
    rows = Fitting.objects.filter(patient=patient).select_related(
        "recorded_by", "voided_by", "item_kept", "refit", "dispense", "location"
    )
    return list(rows.prefetch_related("tries__item").order_by("-fitted_on", "-pk"))
