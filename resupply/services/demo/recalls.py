"""Two invented recalls: a lot of cushions that a patient still holds, and one that was lifted."""

from datetime import date, datetime, timedelta

from django.contrib.auth import get_user_model

from resupply.models import DispenseLine, PatientStatus, Recall
from resupply.rules.kinds import Kind
from resupply.services import recalls
from resupply.services.demo.people import SIGNATURE_REFERENCE
from resupply.services.recalls import RecallDetails

_ISSUED_AGO = timedelta(days=3)
_NOT_YET_WORN = timedelta(days=30)


def write_recalls(*, today: date, now: datetime) -> list[Recall]:
    """Record both; nothing that a kit of the demo refills with is stopped, but the one lot."""
    manager = get_user_model().objects.get(username="manager")
    held = _held_cushions(today)
    lot = recalls.record_recall(
        RecallDetails(
            title=f"{held.family} cushions may tear at the seal (invented)",
            issued_on=today - _ISSUED_AGO,
            source="Letter of the cushion's maker to clinics (invented)",
            item=held.item,
            lot=held.lot,
            advice="Give out none of this lot, and replace what patients hold of it. What patients do until "
            "then is for the prescriber and licensed staff to say.",
        ),
        by=manager,
        today=today,
        now=now - timedelta(days=2),
    )
    lifted = recalls.record_recall(
        RecallDetails(
            title="Chin straps on hold for a wrong label (invented)",
            issued_on=today - timedelta(days=40),
            source="Letter of the straps' maker to clinics (invented)",
            part_code="A7036",
            lot="D00000",
        ),
        by=manager,
        today=today,
        now=now - timedelta(days=39),
    )
    reason = "The maker corrected the label and lifted the hold."
    recalls.void_recall(lifted, reason=reason, by=manager, now=now - timedelta(days=20))
    return [lot, lifted]


def _held_cushions(today: date) -> DispenseLine:
    """The newest cushions of a patient on therapy (not the one of the pictures) of which some are left."""
    lines = DispenseLine.objects.filter(
        kind=Kind.CUSHION,
        quantity__gte=3,
        item__isnull=False,
        voided_at=None,
        dispense__dispensed_on__lte=today - _NOT_YET_WORN,
        dispense__patient__status=PatientStatus.ON_THERAPY,
    )
    of_late = DispenseLine.objects.filter(dispense__dispensed_on__gt=today - _ISSUED_AGO).values("lot")
    newest = (
        lines.exclude(lot="")
        .exclude(lot__in=of_late)
        .exclude(dispense__patient__reference=SIGNATURE_REFERENCE)
    )
    return newest.select_related("item").order_by("-dispense__dispensed_on", "dispense__patient__reference")[
        0
    ]
