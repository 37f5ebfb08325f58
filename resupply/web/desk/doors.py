"""The link to a patient's own page, at the desk: give it out, renew it, revoke it, see what the patient sees;
and reports that patients sent from there.
"""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import resolve, reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery import addresses
from resupply.models import Patient, PatientReport
from resupply.queries import doors as door_queries
from resupply.queries import texts
from resupply.rules.patient_page import LANGUAGES, said_day
from resupply.services import doors, own_page, plans
from resupply.services.doors import IssuedLink
from resupply.services.records import local_day
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, ask, confirmed
from resupply.web.desk.answers import back_to
from resupply.web.forms import HandledForm, written
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.own_address import own_path
from resupply.web.qr import qr_svg
from resupply.web.wording import day_words


@may("patient.link")
@GET_HEAD_OR_POST
def link(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The patient's link and its past ones; a POST gives one out, and the answer shows it this once."""
    person = access.patient_or_404(request, public_id)
    form = confirmed(request)
    if request.method == "POST":
        issued = written(form, lambda: doors.issue(person, by=request.staff.user, now=clock.now()))
        if issued:
            return _address_page(request, issued, "The link is ready")
    return render(request, "desk/link.html", _page(person) | {"form": form})


@may("patient.link")
@GET_HEAD_OR_POST
def renew(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Another address for the page; the old one ends, with every device that opened it."""
    row = access.link_or_404(request, public_id)
    form = confirmed(request)
    if request.method == "POST":
        issued = written(form, lambda: doors.renew(row, by=request.staff.user, now=clock.now()))
        if issued:
            return _address_page(request, issued, "The new link is ready")
    text = (
        f"{row.patient.name} gets a new link. The old one ends at once, on paper too, and every device is "
        "asked for the date of birth again."
    )
    return ask(
        request, form, person=row.patient, title="Renew the link", action="Renew the link", text=text,
        back_url=_links(row.patient),
    )  # fmt: skip


@may("patient.link")
@GET_HEAD_OR_POST
def revoke(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The end of a link."""
    row = access.link_or_404(request, public_id)

    def write() -> str:
        doors.revoke(row, by=request.staff.user, now=clock.now())
        return "The link is revoked. It opens nothing any more."

    return act(
        request, confirmed(request), write, person=row.patient, title="Revoke the link",
        action="Revoke the link", danger=True,
        text=f"The link to the page of {row.patient.name} ends at once and for good, on every device.",
        back_url=_links(row.patient),
    )  # fmt: skip


@may("patient.link")
@require_GET
def own(request: StaffRequest, public_id: UUID, rest: str = "") -> HttpResponse:
    """What the patient sees, marked as looked at by staff; nothing can be sent from it.

    `rest` is a page's address behind the patient's secret. The resolver finds its view, which knows how it is
    shown to staff: one view a page, whoever looks.
    """
    person = access.patient_or_404(request, public_id)
    plans.refresh_if_run_out(person, now=clock.now())
    asked = request.GET.get("language", "")
    language = asked if asked in LANGUAGES else person.language
    match = resolve(own_path(rest))  # an address that is none is not found
    match.kwargs.pop("token")
    is_reviewed = texts.is_reviewed(texts.PATIENT_PAGE, language)
    shown: HttpResponse = match.func.for_staff(  # type: ignore[attr-defined]
        request, patient=person, language=language, is_reviewed=is_reviewed, **match.kwargs
    )
    return shown


@may("report.handle")
@GET_HEAD_OR_POST
def report_handled(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A person saw to what a patient reported."""
    row = access.report_or_404(request, public_id)
    person = row.patient
    today = clock.today(person.time_zone)
    form = HandledForm(posted(request), example="called, comes in on Friday")
    said = f"{row.get_told_display()}, {day_words(row.on, today=today)}"

    def write() -> str:
        own_page.handle(row, note=form.cleaned_data["note"], by=request.staff.user, now=clock.now())
        return f"Handled: {said}."

    return act(
        request, form, write, person=person, title=said, action="Mark as handled", text=_report_text(row),
        back_url=_back(request, person),
    )  # fmt: skip


def _report_text(row: PatientReport) -> str:
    """What the patient wrote, and what waits to be done."""
    what = {
        "leak": "The patient reports that air leaks. Ask where, and offer a look at the fit.",
        "sore": "The patient reports a sore spot. Ask whether the skin is open, and offer a look at the fit.",
        "unused": "The patient is not using the equipment; therapy is on record as paused. Call, ask why, "
        "and tell the prescriber where that is due.",
        "changed": "The patient changed this part without a spare on record. Find out where it came from, "
        "and log the dispense if it was ours.",
        "ill": "The patient was ill; a wash was added that day.",
    }[row.told]
    part = f" Part: {row.get_kind_display()}." if row.kind else ""
    note = f" In the patient's words: “{row.note}”" if row.note else ""
    return f"{what}{part}{note}"


def _back(request: StaffRequest, person: Patient) -> str:
    """Where one came from: the therapist's work, or as `back_to` has it."""
    if request.GET.get("back") == "work" and access.can(request, "follow_up.record"):
        return reverse("therapist:work")
    return back_to(request, person)


def _links(person: Patient) -> str:
    """Where a patient's links are."""
    return reverse("desk:link", args=[person.public_id])


def _page(person: Patient) -> dict[str, Any]:
    rows = list(door_queries.of_patient(person))
    live = next((row for row in rows if row.revoked_at is None), None)
    return {
        "person": person,
        "today": clock.today(person.time_zone),
        "live": live,
        "now": clock.now(),
        "is_expired": live is not None and live.expires_at <= clock.now(),
        "ended": [row for row in rows if row is not live],
        "languages": [("en", "English"), ("es", "Spanish")],
    }


def _address_page(request: StaffRequest, issued: IssuedLink, title: str) -> HttpResponse:
    """The link in full, this once: no program on the way may keep the page."""
    person = issued.link.patient
    address = addresses.own_page(issued.token)
    context = {
        "person": person,
        "today": clock.today(person.time_zone),
        "title": title,
        "address": address,
        "qr": qr_svg(address, title="QR code of the link to the patient's own page"),
        "until": said_day(local_day(issued.link.expires_at, person.time_zone), person.language, today=None),
    }
    response = render(request, "desk/link_address.html", context)
    response["Cache-Control"] = "no-store"
    return response
