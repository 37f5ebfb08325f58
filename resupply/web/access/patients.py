"""Patients and what is about one of them, found here only.

A member of staff sees the patients of the locations worked at, and one of another location while an emergency
access to that patient lasts.

A record of another location, or of a patient whose import was undone, is not found (404), as if there were
none. Finding a record sets the clock of its patient's location for the moments on the page.
"""

from uuid import UUID

from django.db.models import QuerySet

from resupply.models import (
    BackOrder,
    BadAddress,
    Contact,
    Device,
    Dispense,
    DispenseLine,
    Event,
    EvidencePacket,
    Fitting,
    FollowUp,
    LifeVersion,
    MagnetScreen,
    MatchRecord,
    Message,
    NightImport,
    Order,
    Patient,
    PatientLink,
    PatientReport,
    Proof,
    RecallContact,
    RefillAnswer,
    RefillQuestion,
    Subscription,
)
from resupply.web.access.found import now_about, of_patients, one, or_404, show_times_at
from resupply.web.access.roles import StaffRequest


def patients(request: StaffRequest) -> QuerySet[Patient]:
    """The patients this member of staff may see; not those whose import was undone."""
    return Patient.objects.filter(of_patients(request))


def patient_or_404(request: StaffRequest, public_id: UUID) -> Patient:
    """One patient this member of staff may see, with its location and until when its plan holds."""
    person = or_404(patients(request).select_related("location", "plan_state").filter(public_id=public_id))
    now_about(request, person)
    return person


def dispense_line_or_404(request: StaffRequest, public_id: UUID, position: int) -> DispenseLine:
    """One line of a dispense of such a patient."""
    rows = DispenseLine.objects.select_related("dispense__location", "item")
    return one(request, rows, "dispense__patient", dispense__public_id=public_id, position=position)


def fitting_or_404(request: StaffRequest, public_id: UUID) -> Fitting:
    """One fitting of such a patient, with times as where it was."""
    rows = Fitting.objects.select_related("location", "refit")
    visit = one(request, rows, "patient", public_id=public_id)
    show_times_at(visit.location)
    return visit


def bad_address_or_404(patient: Patient, pk: int) -> BadAddress:
    """One address of a patient at which a message failed, and that nobody has confirmed."""
    return or_404(BadAddress.objects.filter(patient=patient, pk=pk, confirmed_at=None))


def own_life_or_404(patient: Patient, pk: int) -> LifeVersion:
    """One version of a patient's own lives."""
    return or_404(patient.lives.filter(pk=pk))


def dispense_or_404(request: StaffRequest, public_id: UUID) -> Dispense:
    """One dispense of such a patient."""
    return one(request, Dispense.objects.select_related("location"), "patient", public_id=public_id)


def packet_or_404(request: StaffRequest, public_id: UUID) -> EvidencePacket:
    """One evidence packet about such a patient."""
    return one(
        request, EvidencePacket.objects.select_related("dispense", "asked_by"), "patient", public_id=public_id
    )


def proof_or_404(request: StaffRequest, public_id: UUID) -> Proof:
    """One proof of delivery of such a dispense."""
    return one(
        request, Proof.objects.select_related("dispense__location"), "dispense__patient", public_id=public_id
    )


def event_or_404(request: StaffRequest, public_id: UUID) -> Event:
    """One event of such a patient."""
    return one(request, Event.objects.all(), "patient", public_id=public_id)


def follow_up_or_404(request: StaffRequest, public_id: UUID) -> FollowUp:
    """One follow-up of such a patient."""
    return one(request, FollowUp.objects.all(), "patient", public_id=public_id)


def night_import_or_404(request: StaffRequest, public_id: UUID) -> NightImport:
    """One file of nights of such a patient."""
    return one(request, NightImport.objects.all(), "patient", public_id=public_id)


def match_or_404(request: StaffRequest, public_id: UUID) -> MatchRecord:
    """One match of such a patient."""
    return one(request, MatchRecord.objects.all(), "patient", public_id=public_id)


def screen_or_404(request: StaffRequest, public_id: UUID) -> MagnetScreen:
    """One magnet screen of such a patient."""
    return one(request, MagnetScreen.objects.all(), "patient", public_id=public_id)


def device_or_404(request: StaffRequest, public_id: UUID) -> Device:
    """One device of such a patient."""
    return one(request, Device.objects.all(), "patient", public_id=public_id)


def order_or_404(request: StaffRequest, public_id: UUID) -> Order:
    """One prescriber's order of such a patient."""
    return one(request, Order.objects.all(), "patient", public_id=public_id)


def recall_contact_or_404(request: StaffRequest, public_id: UUID) -> RecallContact:
    """One contact with such a patient about a recall."""
    return one(request, RecallContact.objects.select_related("recall"), "patient", public_id=public_id)


def refill_answer_or_404(request: StaffRequest, public_id: UUID) -> RefillAnswer:
    """One answer to a refill of such a patient."""
    return one(
        request,
        RefillAnswer.objects.select_related("recorded_by", "handled_by"),
        "patient",
        public_id=public_id,
    )


def question_or_404(request: StaffRequest, public_id: UUID) -> RefillQuestion:
    """One refill question of such a patient."""
    return one(request, RefillQuestion.objects.all(), "patient", public_id=public_id)


def message_or_404(request: StaffRequest, public_id: UUID) -> Message:
    """One message to such a patient."""
    return one(request, Message.objects.all(), "patient", public_id=public_id)


def contact_or_404(request: StaffRequest, public_id: UUID) -> Contact:
    """One contact with such a patient."""
    return one(request, Contact.objects.all(), "patient", public_id=public_id)


def back_order_or_404(request: StaffRequest, public_id: UUID) -> BackOrder:
    """One back order of such a patient."""
    return one(request, BackOrder.objects.select_related("location", "item"), "patient", public_id=public_id)


def subscription_or_404(request: StaffRequest, public_id: UUID) -> Subscription:
    """One calendar address of such a patient, without what it answers."""
    return one(request, Subscription.objects.defer("body"), "patient", public_id=public_id)


def link_or_404(request: StaffRequest, public_id: UUID) -> PatientLink:
    """One link to such a patient's own page."""
    return one(request, PatientLink.objects.all(), "patient", public_id=public_id)


def report_or_404(request: StaffRequest, public_id: UUID) -> PatientReport:
    """One report that such a patient sent."""
    return one(request, PatientReport.objects.select_related("handled_by"), "patient", public_id=public_id)
