"""The packets that were made, and the dispenses one may be made of."""

from datetime import date

from django.db.models import QuerySet

from resupply.models import Dispense, EvidencePacket, Patient, SuppliedBy

PAGE = 50
_BYTES = ("document", "paper", "marks", "kept")


def recent_packets(among: "QuerySet[Patient]", *, page: int) -> tuple[list[EvidencePacket], bool]:
    """One page (from 1) of the packets about some patients, the newest first; whether more follow."""
    rows = (
        EvidencePacket.objects.filter(patient__in=among)
        .select_related("patient", "dispense", "asked_by")
        .defer(*_BYTES)
        .order_by("-number")
    )
    start = (page - 1) * PAGE
    found = list(rows[start : start + PAGE + 1])
    return found[:PAGE], len(found) > PAGE


def packets_of(dispense: Dispense) -> list[EvidencePacket]:
    """The packets made of a dispense, the newest first, without their bytes. One query."""
    rows = EvidencePacket.objects.filter(dispense=dispense).select_related("asked_by").defer(*_BYTES)
    return list(rows.order_by("-number"))


def dispenses_on(patient: Patient, day: date) -> list[Dispense]:
    """What this clinic gave a patient on a day, voided ones too."""
    rows = Dispense.objects.filter(patient=patient, dispensed_on=day, supplied_by=SuppliedBy.US)
    return list(rows.order_by("pk"))
