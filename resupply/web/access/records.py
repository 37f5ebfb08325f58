"""Records are found here only: a member of staff sees the patients of the locations worked at.

A record of another location, or of a patient whose import was undone, is not found (404), as if there were
none. Finding a record sets the clock of its location for the moments on the page.
"""

from typing import Any, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Model, Q, QuerySet
from django.http import Http404
from django.utils import timezone

from resupply.models import (
    AllowanceVersion,
    BackOrder,
    BadAddress,
    BulkAct,
    CatalogueItem,
    CleaningChoice,
    ClinicTermsVersion,
    ClosedDay,
    Contact,
    Device,
    Dispense,
    DispenseLine,
    Event,
    EvidencePacket,
    Fitting,
    FollowUp,
    FollowUpPlanVersion,
    ImportBatch,
    InboundText,
    Integration,
    Job,
    LifeVersion,
    Location,
    MagnetScreen,
    MatchingVersion,
    MatchRecord,
    Message,
    MessageTermsVersion,
    NightImport,
    Order,
    Patient,
    PatientLink,
    PatientReport,
    PatientStatus,
    Payer,
    PolicyDraft,
    Proof,
    Recall,
    RecallContact,
    RefillAnswer,
    RefillQuestion,
    RefillRuleVersion,
    SavedView,
    StockMovement,
    Subscription,
    TextReview,
    Upload,
)
from resupply.queries import inbound
from resupply.web.access.roles import StaffRequest, can

M = TypeVar("M", bound=Model)


def patients(request: StaffRequest) -> QuerySet[Patient]:
    """The patients this member of staff may see; not those whose import was undone."""
    return Patient.objects.filter(_here(request, "location")).exclude(status=PatientStatus.WITHDRAWN)


def locations(request: StaffRequest) -> QuerySet[Location]:
    """The locations this member of staff works at."""
    return Location.objects.filter(_here(request, "pk"))


def location_or_404(request: StaffRequest, pk: int) -> Location:
    """One location this member of staff works at."""
    return _or_404(locations(request).filter(pk=pk))


def closed_day_or_404(request: StaffRequest, public_id: UUID) -> ClosedDay:
    """One day off of such a location."""
    rows = ClosedDay.objects.select_related("location").filter(_here(request, "location"))
    return _or_404(rows.filter(public_id=public_id))


def patient_or_404(request: StaffRequest, public_id: UUID) -> Patient:
    """One patient this member of staff may see, with its location and until when its plan holds."""
    found = patients(request).select_related("location", "plan_state")
    person = _or_404(found.filter(public_id=public_id))
    _show_times_at(person.location)
    return person


def dispense_or_404(request: StaffRequest, public_id: UUID) -> Dispense:
    """One dispense of such a patient."""
    dispense = _or_404(
        Dispense.objects.select_related("patient__location", "location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(dispense.patient.location)
    return dispense


def dispense_line_or_404(request: StaffRequest, public_id: UUID, position: int) -> DispenseLine:
    """One line of such a dispense."""
    line = _or_404(
        DispenseLine.objects.select_related(
            "dispense__patient__location", "dispense__location", "item"
        ).filter(
            _here(request, "dispense__patient__location"), dispense__public_id=public_id, position=position
        )
    )
    _show_times_at(line.dispense.patient.location)
    return line


def packet_or_404(request: StaffRequest, public_id: UUID) -> EvidencePacket:
    """One evidence packet about such a patient."""
    packet = _or_404(
        EvidencePacket.objects.select_related("patient__location", "dispense", "asked_by").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(packet.patient.location)
    return packet


def proof_or_404(request: StaffRequest, public_id: UUID) -> Proof:
    """One proof of delivery of such a dispense."""
    proof = _or_404(
        Proof.objects.select_related("dispense__patient__location", "dispense__location").filter(
            _here(request, "dispense__patient__location"), public_id=public_id
        )
    )
    _show_times_at(proof.dispense.patient.location)
    return proof


def event_or_404(request: StaffRequest, public_id: UUID) -> Event:
    """One event of such a patient."""
    event = _or_404(
        Event.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(event.patient.location)
    return event


def fitting_or_404(request: StaffRequest, public_id: UUID) -> Fitting:
    """One fitting of such a patient."""
    visit = _or_404(
        Fitting.objects.select_related("patient__location", "location", "refit").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(visit.location)
    return visit


def follow_up_or_404(request: StaffRequest, public_id: UUID) -> FollowUp:
    """One follow-up of such a patient."""
    row = _or_404(
        FollowUp.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def night_import_or_404(request: StaffRequest, public_id: UUID) -> NightImport:
    """One file of nights of such a patient."""
    row = _or_404(
        NightImport.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def text_review_or_404(request: StaffRequest, pk: int) -> TextReview:
    """One approval of a text: it is about no patient."""
    return _or_404(TextReview.objects.filter(pk=pk))


def integration_or_404(public_id: UUID) -> Integration:
    """One program that reads records."""
    return _or_404(
        Integration.objects.select_related("created_by", "ended_by")
        .prefetch_related("locations")
        .filter(public_id=public_id)
    )


def payer_or_404(request: StaffRequest, pk: int) -> Payer:
    """One payer: all locations share them."""
    return _or_404(Payer.objects.filter(pk=pk))


def follow_up_plan_or_404(request: StaffRequest, pk: int) -> FollowUpPlanVersion:
    """One version of the clinic's plan of follow-ups."""
    return _or_404(FollowUpPlanVersion.objects.filter(pk=pk))


def matching_version_or_404(request: StaffRequest, public_id: UUID) -> MatchingVersion:
    """One version of the clinic's matching table."""
    return _or_404(MatchingVersion.objects.filter(public_id=public_id))


def match_or_404(request: StaffRequest, public_id: UUID) -> MatchRecord:
    """One match of such a patient."""
    record = _or_404(
        MatchRecord.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(record.patient.location)
    return record


def screen_or_404(request: StaffRequest, public_id: UUID) -> MagnetScreen:
    """One magnet screen of such a patient."""
    screen = _or_404(
        MagnetScreen.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(screen.patient.location)
    return screen


def device_or_404(request: StaffRequest, public_id: UUID) -> Device:
    """One device of such a patient."""
    device = _or_404(
        Device.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(device.patient.location)
    return device


def order_or_404(request: StaffRequest, public_id: UUID) -> Order:
    """One prescriber's order of such a patient."""
    order = _or_404(
        Order.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(order.patient.location)
    return order


def item_or_404(public_id: UUID) -> CatalogueItem:
    """One item of the shelf, which all locations share."""
    return _or_404(CatalogueItem.objects.filter(public_id=public_id))


def policy_draft_or_404(public_id: UUID) -> PolicyDraft:
    """One draft of policy, which bears on all locations."""
    rows = PolicyDraft.objects.select_related("payer", "drafted_by", "decided_by", "run__job")
    return _or_404(rows.filter(public_id=public_id))


_VERSIONS: dict[str, "QuerySet[Any]"] = {
    "life": LifeVersion.objects.filter(patient=None),
    "allowance": AllowanceVersion.objects.select_related("payer"),
    "refill": RefillRuleVersion.objects.select_related("payer"),
    "terms": ClinicTermsVersion.objects.all(),
    "cleaning": CleaningChoice.objects.all(),
    "matching": MatchingVersion.objects.all(),
    "follow_ups": FollowUpPlanVersion.objects.all(),
    "messages": MessageTermsVersion.objects.all(),
}


def policy_version_or_404(kind: str, pk: int) -> Any:
    """One standing version of the clinic's or a payer's rules; a patient's own life is none."""
    if kind not in _VERSIONS:
        raise Http404
    return _or_404(_VERSIONS[kind].filter(pk=pk, voided_at=None))


def recall_or_404(public_id: UUID) -> Recall:
    """One recall, which bears on all locations."""
    return _or_404(
        Recall.objects.select_related("item", "recorded_by", "voided_by").filter(public_id=public_id)
    )


def recall_contact_or_404(request: StaffRequest, public_id: UUID) -> RecallContact:
    """One contact with such a patient about a recall."""
    contact = _or_404(
        RecallContact.objects.select_related("patient__location", "recall").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(contact.patient.location)
    return contact


def refill_answer_or_404(request: StaffRequest, public_id: UUID) -> RefillAnswer:
    """One answer to a refill of such a patient."""
    answer = _or_404(
        RefillAnswer.objects.select_related("patient__location", "recorded_by", "handled_by").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(answer.patient.location)
    return answer


def question_or_404(request: StaffRequest, public_id: UUID) -> RefillQuestion:
    """One refill question of such a patient."""
    question = _or_404(
        RefillQuestion.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(question.patient.location)
    return question


def message_or_404(request: StaffRequest, public_id: UUID) -> Message:
    """One message to such a patient."""
    message = _or_404(
        Message.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(message.patient.location)
    return message


def bad_address_or_404(request: StaffRequest, patient: Patient, pk: int) -> BadAddress:
    """One address of a patient at which a message failed, and that nobody has confirmed."""
    return _or_404(BadAddress.objects.filter(patient=patient, pk=pk, confirmed_at=None))


def contact_or_404(request: StaffRequest, public_id: UUID) -> Contact:
    """One contact with such a patient."""
    contact = _or_404(
        Contact.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(contact.patient.location)
    return contact


def movement_or_404(request: StaffRequest, public_id: UUID) -> StockMovement:
    """One movement of stock at a location of this member of staff."""
    movement = _or_404(
        StockMovement.objects.select_related("location", "item").filter(
            _here(request, "location"), public_id=public_id
        )
    )
    _show_times_at(movement.location)
    return movement


def back_order_or_404(request: StaffRequest, public_id: UUID) -> BackOrder:
    """One back order of a patient this member of staff may see."""
    order = _or_404(
        BackOrder.objects.select_related("patient__location", "location", "item").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(order.patient.location)
    return order


def subscription_or_404(request: StaffRequest, public_id: UUID) -> Subscription:
    """One calendar address of such a patient, without what it answers."""
    calendar = _or_404(
        Subscription.objects.select_related("patient__location")
        .defer("body")
        .filter(_here(request, "patient__location"), public_id=public_id)
    )
    _show_times_at(calendar.patient.location)
    return calendar


def link_or_404(request: StaffRequest, public_id: UUID) -> PatientLink:
    """One link to such a patient's own page."""
    row = _or_404(
        PatientLink.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def report_or_404(request: StaffRequest, public_id: UUID) -> PatientReport:
    """One report that such a patient sent."""
    row = _or_404(
        PatientReport.objects.select_related("patient__location", "handled_by").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def inbound_text_or_404(request: StaffRequest, public_id: UUID) -> InboundText:
    """One text that came in, from such a patient or from a number nobody has."""
    return _or_404(inbound.seen_at(request.location_ids).filter(public_id=public_id))


def upload_or_404(public_id: UUID) -> Upload:
    """One list sent from a browser. A list is the whole clinic's: it may bring patients of any location."""
    found = Upload.objects.select_related("uploaded_by", "accepted_by", "batch")
    return _or_404(found.filter(public_id=public_id))


def batch_or_404(public_id: UUID) -> ImportBatch:
    """One import that was written, which is the whole clinic's too."""
    return _or_404(ImportBatch.objects.select_related("imported_by", "undone_by").filter(public_id=public_id))


def jobs(request: StaffRequest) -> "QuerySet[Job]":
    """The jobs this member of staff asked for, at locations that are still theirs."""
    mine = Job.objects.filter(asked_by=request.staff.user_id)
    if request.location_ids:
        here = sorted(request.location_ids)
        mine = mine.filter(location_ids__contained_by=here, location_ids__len__gt=0)
    return mine


def job_or_404(request: StaffRequest, public_id: UUID) -> Job:
    """A job this member of staff asked for, while the permission for what it holds is still theirs."""
    job = _or_404(jobs(request).filter(public_id=public_id))
    if not can(request, job.permission):
        raise Http404
    return job


def saved_view_or_404(request: StaffRequest, public_id: UUID) -> SavedView:
    """A view of the overdue list that the person asking saved."""
    mine = SavedView.objects.filter(user=request.staff.user_id, removed_at=None)
    return _or_404(mine.filter(public_id=public_id))


def bulk_act_or_404(request: StaffRequest, public_id: UUID) -> BulkAct:
    """What the person asking did to overdue lines."""
    mine = BulkAct.objects.filter(acted_by=request.staff.user_id).select_related("assigned_to")
    return _or_404(mine.filter(public_id=public_id))


def _here(request: StaffRequest, path: str) -> Q:
    """The filter "at a location of this member of staff" for the field that names the location.

    Where that is a patient's, records of patients whose import was undone are left out too.
    """
    here = Q(**{f"{path}__in": sorted(request.location_ids)}) if request.location_ids else Q()
    if path.endswith("patient__location"):
        here &= ~Q(**{f"{path.removesuffix('location')}status": PatientStatus.WITHDRAWN})
    return here


def _show_times_at(location: Location) -> None:
    """Show moments as the clocks of a location do, until the view is done."""
    timezone.activate(ZoneInfo(location.time_zone))


def _or_404(found: "QuerySet[M]") -> M:
    """The one row, or a page that says there is none."""
    row = found.first()
    if row is None:
        raise Http404
    return row
