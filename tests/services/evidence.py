"""A dispense with everything an audit asks for on record, and one with next to nothing."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from resupply.models import Dispense, FittingTry, Message, RefillQuestion, Role, Staff
from resupply.services import dispensing, plans, proofs
from tests import builders
from tests.builders import NOW, TODAY

STARTED = date(2025, 11, 1)
BEFORE = datetime(2025, 12, 10, 17, 0, tzinfo=UTC)


def complete(*, staff: Staff | None = None) -> Dispense:
    """A parcel of two cushions shipped on 2026-03-18, with order, device, fitting, the question sent by mail
    and answered by telephone, a signed slip, and a first dispense before it.
    """
    staff = staff or builders.make_staff(Role.DESK, first_name="Ines", last_name="Marr")
    place = builders.make_location(name="Larch room", phone="+1 303 555 0100", address="12 Alder Way")
    payer = builders.make_payer(
        name="Payer E", refill_source="shipped", reevaluation="pap",
        allowances=[{"source": "the payer's letter of 2025-10-01"}],
    )  # fmt: skip
    patient = builders.make_patient(
        payer=payer, reference="E-47", given_name="Odalys", family_name="Brandt", location=place,
        birth_date=date(1961, 2, 4), address="4 Elm St\nBirch Hill", email="odalys@patients.example",
        therapy_started_on=STARTED, time_zone="America/Denver",
    )  # fmt: skip
    item = builders.make_item(
        name="Aspen cushion", kind="cushion", part_code="A7032", family="Aspen", size="M"
    )
    builders.make_order(patient)
    builders.make_device(patient)
    visit = builders.make_fitting(patient, fitted_on=STARTED, outcome="kept", item_kept=item, size_kept="M")
    FittingTry.objects.create(
        fitting=visit, position=0, item=item, style="nasal", size="M", pressure=Decimal("9.0"), lying="side",
        leaks={"left_cheek": "slight"},
    )  # fmt: skip
    builders.make_nights(patient, first=STARTED, minutes=[300, 200, 310] * 30)
    builders.make_follow_up(patient, on=STARTED + timedelta(days=45), is_reevaluation=True)
    line = {
        "item": item,
        "lot": "L70",
        "quantity": 4,
        "billed": True,
        "billed_to": payer,
        "family": "Aspen",
        "recorded_at": BEFORE,
    }
    builders.make_dispense(patient, on=date(2025, 12, 10), lines=[line], recorded_at=BEFORE)
    _asked_and_answered(patient_id=patient.pk)
    plans.refresh_plans([patient.pk], now=NOW)
    given = dispensing.record_dispense(
        patient=patient, location=place, dispensed_on=TODAY, given="shipped", carrier="Parcel post",
        tracking_id="PP-123", delivery_address=patient.address, by=staff.user, now=NOW,
        lines=[
            dispensing.NewLine(
                part_code="A7032", item=item, quantity=2, lot="L77",
                exception_reason="the last ones tore early", notice="given", notice_on=date(2026, 3, 17),
            )
        ],
    )  # fmt: skip
    proof = proofs.NewProof(method="signed", delivered_on=TODAY, signed_by="Jan Brandt", relation="spouse")
    proofs.record_proof(given, proof, by=staff.user, now=NOW)
    return given


def bare() -> Dispense:
    """One cushion handed over, and nothing else on record."""
    patient = builders.make_patient(reference="E-48")
    given = builders.make_dispense(patient, on=TODAY)
    plans.refresh_plans([patient.pk], now=NOW)
    return given


def _asked_and_answered(*, patient_id: int) -> None:
    asked_at = datetime(2026, 3, 12, 16, 0, tzinfo=UTC)
    patient = builders.Patient.objects.get(pk=patient_id)
    answer = builders.make_answer(
        patient,
        items=[{"quantity": 2, "condition": "leaks", "left": 0, "need": "it leaks at the left cheek"}],
    )
    builders.make_question(patient, asked_at=asked_at, expires_at=asked_at + timedelta(days=30))
    RefillQuestion.objects.filter(patient=patient).update(
        state="answered", closed_at=answer.answered_at, answer=answer
    )
    Message.objects.filter(patient=patient).update(
        address=patient.email, subject="Do you need new parts?", body_text="Please answer: [secret]"
    )
