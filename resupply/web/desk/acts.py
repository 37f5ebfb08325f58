"""Small forms about one patient: each records one thing, or takes one back, and returns to the patient's
page.
"""

from collections.abc import Callable
from datetime import date
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from resupply import clock
from resupply.models import Patient
from resupply.queries.catalogue import mask_families
from resupply.rules.kinds import Kind
from resupply.services import events
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.forms import PartEventForm, PauseEndForm, PauseForm, RefitForm, SwapForm, VoidForm
from resupply.web.forms import written
from resupply.web.wording import day_words, kind_word

GET_OR_POST = require_http_methods(["GET", "POST"])


@may("event.record")
@GET_OR_POST
def swap(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that the patient changed a part."""
    person, today = _person(request, public_id)
    form = SwapForm(request.POST or None, kinds=_kinds(person), initial=_first(request, today))

    def write() -> str:
        data = form.cleaned_data
        events.record_swap(
            patient=person,
            kind=data["kind"],
            on=data["on"],
            keep_anyway=data["keep_anyway"],
            by=request.staff.user,
            now=clock.now(),
        )
        return f"Swap logged: {_part(data['kind'])} on {day_words(data['on'], today=today)}."

    return answer(
        request, person, form, write, title="Log a swap", action="Log the swap",
        text="The day the patient began to use the next part. The spare starts on that day.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def loss(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that the part in use was lost or broken."""
    person, today = _person(request, public_id)
    form = PartEventForm(request.POST or None, kinds=_kinds(person), initial=_first(request, today))

    def write() -> str:
        data = form.cleaned_data
        events.record_loss(
            patient=person, kind=data["kind"], on=data["on"], by=request.staff.user, now=clock.now()
        )
        return f"Loss logged: {_part(data['kind'])} on {day_words(data['on'], today=today)}."

    return answer(
        request, person, form, write, title="Log a loss", action="Log the loss",
        text="The part in use was lost or broke on that day. Where a spare is on record, it starts.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def pause(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that therapy pauses."""
    person, today = _person(request, public_id)
    form = PauseForm(request.POST or None, initial={"on": today})

    def write() -> str:
        on, until = form.cleaned_data["on"], form.cleaned_data["until"]
        events.record_pause(patient=person, on=on, until=until, by=request.staff.user, now=clock.now())
        return f"Pause logged from {day_words(on, today=today)}. Nothing wears while therapy pauses."

    return answer(
        request, person, form, write, title="Pause therapy", action="Log the pause",
        text="For a stay in hospital or another break in therapy that the prescriber or the patient told you "
        "about. Nothing wears and no reminder goes out until therapy goes on.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def pause_end(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that therapy goes on after an open pause."""
    event = access.event_or_404(request, public_id)
    today = clock.today(event.patient.time_zone)
    form = PauseEndForm(request.POST or None, initial={"until": today})

    def write() -> str:
        until = form.cleaned_data["until"]
        events.end_pause(event, until=until, by=request.staff.user, now=clock.now())
        return f"Pause ended: therapy again from {day_words(until, today=today)}."

    return answer(
        request, event.patient, form, write, title="End the pause", action="End the pause",
        text=f"Therapy has paused since {day_words(event.on, today=today)}.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def refit(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log a refit to another mask family."""
    person, today = _person(request, public_id)
    form = RefitForm(request.POST or None, initial={"on": today}, families=mask_families())

    def write() -> str:
        family, on = form.cleaned_data["family"], form.cleaned_data["on"]
        events.record_refit(patient=person, family=family, on=on, by=request.staff.user, now=clock.now())
        return f"Refit logged: {family} on {day_words(on, today=today)}."

    return answer(
        request, person, form, write, title="Log a refit", action="Log the refit",
        text="Masks, cushions, pillows and headgear of every other family end on that day, spares too. Log "
        "the new mask as a dispense of the same day.",
    )  # fmt: skip


@may("event.void")
@GET_OR_POST
def event_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take an event back with a reason."""
    event = access.event_or_404(request, public_id)
    today = clock.today(event.patient.time_zone)
    form = VoidForm(request.POST or None)
    name = f"{event.get_event_display().lower()} on {day_words(event.on, today=today)}"

    def write() -> str:
        events.void_event(event, reason=form.cleaned_data["reason"], by=request.staff.user, now=clock.now())
        return f"Voided: {name}."

    return answer(
        request, event.patient, form, write, title=f"Void: {name}", action="Void the record", danger=True,
        text="The plan is worked out again without it. The record stays, struck through, with your reason.",
    )  # fmt: skip


def _person(request: StaffRequest, public_id: UUID) -> tuple[Patient, date]:
    person = access.patient_or_404(request, public_id)
    return person, clock.today(person.time_zone)


def _kinds(person: Patient) -> list[str]:
    """The kinds the patient has, the mask first."""
    has = set(person.plan_lines.values_list("kind", flat=True))
    return [kind.value for kind in Kind if kind in has]


def _first(request: StaffRequest, today: date) -> dict[str, object]:
    """What the form shows first: today, and the part whose row was clicked."""
    return {"on": today, "kind": request.GET.get("kind", "")}


def _part(kind: str) -> str:
    return kind_word(kind).lower()


def answer(
    request: StaffRequest,
    person: Patient,
    form: forms.Form,
    write: Callable[[], str],
    *,
    title: str,
    text: str,
    action: str,
    danger: bool = False,
    back_url: str = "",
    undo_url: str = "",
) -> HttpResponse:
    """Show the form; sent and written, say so on the patient's page, or at `back_url`.

    With `undo_url`, what is said there offers a button that undoes it.
    """
    if request.method == "POST" and (done := written(form, write)):
        messages.success(request, done, extra_tags=undo_url)
        return redirect(back_url or reverse("desk:patient", args=[person.public_id]))
    context = {
        "person": person,
        "form": form,
        "title": title,
        "text": text,
        "action": action,
        "today": clock.today(person.time_zone),
        "danger": danger,
        "back_url": back_url or reverse("desk:patient", args=[person.public_id]),
    }
    return render(request, "act.html", context, status=422 if form.errors else 200)
