"""The slip of a dispense: its page, its paper, and the proof of delivery."""

from functools import partial
from uuid import UUID

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery import slips as paper
from resupply.models import Parcel, SuppliedBy
from resupply.queries.packets import packets_of
from resupply.queries.slips import slip_of
from resupply.services import corrections, proofs
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act, take_back
from resupply.web.desk.correction_forms import SignForm, first_day
from resupply.web.files import as_file
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words


@may("dispense.see")
@require_GET
def slip(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A dispense as its slip, with everything on record about it and what can be done."""
    dispense = access.dispense_or_404(request, public_id)
    found = slip_of(dispense)
    is_ours = dispense.supplied_by == SuppliedBy.US
    context = {
        "slip": found,
        "dispense": dispense,
        "person": dispense.patient,
        "today": clock.today(dispense.patient.time_zone),
        "is_ours": is_ours,
        "parcel": Parcel(dispense.parcel).label if dispense.parcel else "",
        "may_undo": corrections.may_restore(dispense, now=clock.now()),
        "caution": paper.caution(dispense.location),
        "outside": paper.OUTSIDE,
        "received": paper.RECEIVED,
        "who_signs": paper.WHO_SIGNS,
        "proof_words": paper.proof_words(found),
        "packets": packets_of(dispense) if can(request, "packet.see") else [],
        "may_packet": is_ours and can(request, "packet.make"),
    }
    return render(request, "desk/slip.html", context)


@may("dispense.see")
@require_GET
def pdf(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The slip as PDF, named by its number alone."""
    dispense = access.dispense_or_404(request, public_id)
    if dispense.supplied_by != SuppliedBy.US:
        raise Http404
    body = paper.slip_pdf(slip_of(dispense), clinic_name=settings.CLINIC_NAME)
    response = HttpResponse(body, content_type="application/pdf")
    return as_file(response, f"slip-{dispense.number}.pdf", opens=True)


@may("proof.record")
@GET_OR_POST
def sign(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Record who took the parts."""
    dispense = access.dispense_or_404(request, public_id)
    person, today = dispense.patient, clock.today(dispense.location.time_zone)
    form = SignForm(
        posted(request),
        initial={"delivered_on": first_day(dispense.given, dispense.dispensed_on, today=today)},
        given=dispense.given,
        names=[person.name, person.representative_name],
        relations=[person.representative_relation],
    )

    def write() -> str:
        proofs.record_proof(dispense, form.proof(), by=request.staff.user, now=clock.now())
        return f"Proof of delivery recorded for slip {dispense.number}."

    return act(
        request, form, write, person=person, title=f"Proof of delivery, slip {dispense.number}",
        action="Record the proof",
        text="What the signed slip, the carrier or the facility says. Keep the signed paper with the "
        "patient's file.",
        back_url=reverse("desk:slip", args=[public_id]),
    )  # fmt: skip


@may("proof.void")
@GET_OR_POST
def proof_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a proof back with a reason."""
    proof = access.proof_or_404(request, public_id)
    dispense = proof.dispense
    day = day_words(proof.delivered_on, today=clock.today(dispense.patient.time_zone))

    return take_back(
        request, partial(proofs.void_proof, proof),
        done=f"Proof of {day} voided. Slip {dispense.number} has none now.",
        person=dispense.patient,
        title=f"Void the proof of {day}, slip {dispense.number}",
        action="Void the proof",
        text="The record stays, struck through, with your reason. Another proof can be recorded.",
        back_url=reverse("desk:slip", args=[dispense.public_id]),
    )  # fmt: skip
