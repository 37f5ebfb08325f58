"""Match: which mask style suits a patient, answer by answer, with every reason; what was matched before."""

from functools import partial
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import MatchRecord, Patient
from resupply.queries import matching as matches_of
from resupply.queries.patients import standing
from resupply.services import matching
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.therapist.match_form import MatchForm, first_answers, order_view
from resupply.web.wording import day_words


@may("match.record")
@GET_OR_POST
def match(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The questions and the order they lead to; toggled answers change it in place, and nothing is recorded
    until it is saved.
    """
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    now_in_force = matches_of.table_on(today)
    latest = matches_of.latest_match(person)
    first = {"answered_on": today, **_first(person, latest, today=today)}
    form = MatchForm(posted(request), initial=first, table=now_in_force.table)
    saved = request.method == "POST" and "look" not in request.POST
    if saved and (record := _record(request, person, form)):
        messages.success(request, _said(record, form))
        return redirect("therapist:fittings", person.public_id)
    context = {
        "person": person,
        "today": today,
        "form": form,
        "view": order_view(form.answers(), now_in_force.table),
        "version": now_in_force.version,
        "latest": latest,
    }
    only_order = bool(request.headers.get("HX-Request")) and not saved
    page = "therapist/_order.html" if only_order else "therapist/match.html"
    return render(request, page, context, status=422 if saved else 200)


@may("match.record")
@GET_OR_POST
def match_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a match back with a reason."""
    record = access.match_or_404(request, public_id)
    person = record.patient
    name = f"match of {day_words(record.answered_on, today=clock.today(person.time_zone))}"

    return take_back(
        request, partial(matching.void_match, record), done=f"Voided: {name}.",
        person=person, title=f"Void the {name}", action="Void the match",
        text="The record stays, struck through, with your reason.",
        back_url=reverse("therapist:fittings", args=[person.public_id]),
    )  # fmt: skip


def _first(person: Patient, latest: MatchRecord | None, *, today: Any) -> dict[str, Any]:
    """What was answered last; else the pressure that is on record."""
    if latest is not None:
        return first_answers(latest.answers)
    device = standing(person, today=today).device
    pressure = device and (device.pressure_high or device.pressure_low)
    return {"q_pressure": pressure} if pressure else {}


def _record(request: StaffRequest, person: Patient, form: MatchForm) -> MatchRecord | None:
    """What the service recorded; None where the form has to be mended, with the errors in place."""
    if not form.is_valid():
        return None
    try:
        return matching.record_match(
            patient=person,
            answered_on=form.cleaned_data["answered_on"],
            answers=form.answers(),
            style=form.cleaned_data["style"],
            note=form.cleaned_data["note"],
            by=request.staff.user,
            now=clock.now(),
        )
    except Refused as refusal:
        if refusal.field and f"q_{refusal.field}" in form.fields:
            refusal.field = f"q_{refusal.field}"
        show(refusal, form)
        return None


def _said(record: MatchRecord, form: MatchForm) -> str:
    style = next((style.name for style in form.table.styles if style.id == record.style), "")
    return f"Match recorded: {style.lower()} chosen." if style else "Match recorded, no style chosen yet."
