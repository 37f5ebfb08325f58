"""Evidence packets: made for a dispense, listed, opened as PDF or JSON, and checked against the records."""

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.packets.words import missing_lines
from resupply.models import Dispense, EvidencePacket, SuppliedBy
from resupply.queries import packets as queries
from resupply.services import packets as service
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.files import as_file
from resupply.web.manager.packet_forms import FindForm
from resupply.web.manager.packet_words import differences_in_words
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import page_number


@may("packet.see")
@require_GET
def packets(request: StaffRequest) -> HttpResponse:
    """Every packet that was made about one's own patients, the newest first."""
    page = page_number(request)
    found, more = queries.recent_packets(access.patients(request), page=page)
    context = {
        "today": clock.today(request.zone),
        "packets": found,
        "newer_url": f"?page={page - 1}" if page > 1 else "",
        "older_url": f"?page={page + 1}" if more else "",
        "may_make": can(request, "packet.make"),
    }
    return render(request, "manager/packets.html", context)


@may("packet.make")
@GET_OR_POST
def packet_find(request: StaffRequest) -> HttpResponse:
    """The dispense a packet is wanted for, by the patient's reference and the date of service."""
    form, found = FindForm(posted(request)), None
    if request.method == "POST" and form.is_valid():
        reference, on = form.cleaned_data["reference"], form.cleaned_data["on"]
        person = access.patients(request).filter(reference=reference).first()
        found = queries.dispenses_on(person, on) if person else []
        if len(found) == 1:
            return redirect("manager:packet_new", found[0].public_id)
    context = {"today": clock.today(request.zone), "form": form, "found": found}
    return render(request, "manager/packet_find.html", context, status=422 if form.errors else 200)


@may("packet.make")
@GET_OR_POST
def packet_new(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Make a packet of a dispense, as known now."""
    dispense = access.dispense_or_404(request, public_id)
    if dispense.supplied_by != SuppliedBy.US:
        raise Http404
    if request.method == "POST":
        made = _make(request, dispense)
        messages.success(request, f"Evidence packet {made.name} made.")
        return redirect("manager:packet", made.public_id)
    context = {
        "today": clock.today(dispense.patient.time_zone),
        "dispense": dispense,
        "person": dispense.patient,
        "packets": queries.packets_of(dispense),
    }
    return render(request, "manager/packet_new.html", context)


@may("packet.see")
@require_GET
def packet(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One packet: what it is about, what it found missing, its digests."""
    return _shown(request, access.packet_or_404(request, public_id), {})


@may("packet.see")
@require_GET
def packet_check(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Build the packet again from the records and say what differs, if anything does."""
    found = access.packet_or_404(request, public_id)
    checked = service.check_packet(found)
    words = differences_in_words(checked.differences)
    return _shown(request, found, {"checked": checked, "differences": words})


@may("packet.see")
@require_GET
def packet_pdf(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The paper as it was handed out, named by its number alone."""
    found = access.packet_or_404(request, public_id)
    paper = HttpResponse(bytes(found.paper), content_type="application/pdf")
    return as_file(paper, f"evidence-packet-{found.name}.pdf", opens=True)


@may("packet.see")
@require_GET
def packet_json(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The document as it was handed out."""
    found = access.packet_or_404(request, public_id)
    document = HttpResponse(service.document_of(found), content_type="application/json")
    return as_file(document, f"evidence-packet-{found.name}.json")


def _make(request: StaffRequest, dispense: Dispense) -> EvidencePacket:
    return service.make_packet(
        dispense, clinic_name=settings.CLINIC_NAME, by=request.staff.user, now=clock.now()
    )


def _shown(request: StaffRequest, found: EvidencePacket, more: dict[str, object]) -> HttpResponse:
    context = {
        "today": clock.today(found.patient.time_zone),
        "packet": found,
        "person": found.patient,
        "missing": missing_lines(service.read_document(found)),
    }
    return render(request, "manager/packet.html", context | more)
