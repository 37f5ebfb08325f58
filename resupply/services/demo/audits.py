"""What a manager of the demo clinic answers for: a packet made for a payer, a recall's notice under way, and
a program that reads over FHIR (answered only where FHIR is switched on).
"""

from datetime import date, datetime, timedelta

from django.conf import settings
from django.contrib.auth import get_user_model
from django.db.models import Exists, OuterRef

from resupply.models import (
    Dispense,
    Location,
    Patient,
    PatientStatus,
    Proof,
    Recall,
    RecallOutcome,
    SharedResource,
    SuppliedBy,
)
from resupply.queries import recall_reach
from resupply.services import packets, recall_notices, sharing
from resupply.services.sharing import NewIntegration


def write_audits(recall: Recall, *, today: date, now: datetime) -> None:
    """Let a payer have asked, a maker have written, and a hospital read along."""
    manager = get_user_model().objects.get(username="manager")
    packets.make_packet(_proven(today), clinic_name=settings.CLINIC_NAME, by=manager, now=now)
    _notice(recall, today=today, now=now)
    _program(now=now)


def _proven(today: date) -> Dispense:
    """The newest dispense with an answered question and a standing proof of delivery."""
    proof = Proof.objects.filter(dispense=OuterRef("pk"), voided_at=None)
    rows = Dispense.objects.filter(
        Exists(proof),
        voided_at=None,
        supplied_by=SuppliedBy.US,
        dispensed_on__lt=today,
        patient__status=PatientStatus.ON_THERAPY,
        lines__answer_item__isnull=False,
    )
    return rows.order_by("-dispensed_on", "patient__reference")[0]


def _notice(recall: Recall, *, today: date, now: datetime) -> None:
    """Open it; of those who had the part one was reached by telephone, and one did not answer."""
    user = get_user_model().objects.get(username="desk")
    recall_notices.open_notice(recall, by=user, now=now)
    told = ((RecallOutcome.REACHED, "puts it aside, comes by tomorrow"), (RecallOutcome.NO_ANSWER, ""))
    people = recall_reach.people(recall).order_by("reference")
    for patient, (outcome, note) in zip(people[:2], told, strict=False):
        recall_notices.record_contact(
            recall, patient, outcome=outcome, channel="phone", on=today, note=note, by=user, now=now
        )


def _program(*, now: datetime) -> None:
    """One that may read parts of one location, and asked this morning; its token is known to nobody."""
    administrator = get_user_model().objects.filter(staff__role="administrator").first()
    place = Location.objects.order_by("name")[:1]
    wanted = NewIntegration(
        name="Hospital record (invented)",
        purpose="Shows dispensed parts in the hospital's own record (demo)",
        resources=[SharedResource.PATIENT, SharedResource.SUPPLY_DELIVERY],
        locations=list(place),
        expires_at=now + timedelta(days=180),
    )
    let_in = sharing.let_in(wanted, by=administrator, now=now - timedelta(days=20)).integration
    asked = Patient.objects.filter(location__in=list(place)).order_by("reference")
    ids = list(asked.values_list("pk", flat=True)[:3])
    for resource, status, given in (
        ("SupplyDelivery", 200, [*ids, *ids]),
        ("Patient", 200, ids[:1]),
        ("Task", 403, []),
    ):
        sharing.record_read(
            let_in, resource, is_search=status == 200, status=status, patient_ids=given,
            now=now - timedelta(hours=2),
        )  # fmt: skip
