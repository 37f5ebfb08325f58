"""What happened to a patient's parts, and pauses: small forms that log one thing, or take one back."""

from datetime import date
from functools import partial
from uuid import UUID

from django.http import HttpResponse

from resupply import clock
from resupply.models import Patient
from resupply.queries.catalogue import mask_families
from resupply.rules.kinds import Kind
from resupply.services import events
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, take_back
from resupply.web.desk.forms import PartEventForm, PauseEndForm, PauseForm, RefitForm, SwapForm
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words, kind_word


@may("event.record")
@GET_OR_POST
def swap(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that the patient changed a part."""
    person, today = _person(request, public_id)
    form = SwapForm(posted(request), kinds=_kinds(person), initial=_first(request, today))

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

    return act(
        request, form, write, person=person, title="Log a swap", action="Log the swap",
        text="The day the patient began to use the next part. The spare starts on that day.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def loss(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that the part in use was lost or broken."""
    person, today = _person(request, public_id)
    form = PartEventForm(posted(request), kinds=_kinds(person), initial=_first(request, today))

    def write() -> str:
        data = form.cleaned_data
        events.record_loss(
            patient=person, kind=data["kind"], on=data["on"], by=request.staff.user, now=clock.now()
        )
        return f"Loss logged: {_part(data['kind'])} on {day_words(data['on'], today=today)}."

    return act(
        request, form, write, person=person, title="Log a loss", action="Log the loss",
        text="The part in use was lost or broke on that day. Where a spare is on record, it starts.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def pause(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that therapy pauses."""
    person, today = _person(request, public_id)
    form = PauseForm(posted(request), initial={"on": today})

    def write() -> str:
        on, until = form.cleaned_data["on"], form.cleaned_data["until"]
        events.record_pause(patient=person, on=on, until=until, by=request.staff.user, now=clock.now())
        return f"Pause logged from {day_words(on, today=today)}. Nothing wears while therapy pauses."

    return act(
        request, form, write, person=person, title="Pause therapy", action="Log the pause",
        text="For a stay in hospital or another break in therapy that the prescriber or the patient told you "
        "about. Nothing wears and no reminder goes out until therapy goes on.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def pause_end(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that therapy goes on after an open pause."""
    event = access.event_or_404(request, public_id)
    today = clock.today(event.patient.time_zone)
    form = PauseEndForm(posted(request), initial={"until": today})

    def write() -> str:
        until = form.cleaned_data["until"]
        events.end_pause(event, until=until, by=request.staff.user, now=clock.now())
        return f"Pause ended: therapy again from {day_words(until, today=today)}."

    said = "Therapy pauses from" if event.on > today else "Therapy has paused since"
    return act(
        request, form, write, person=event.patient, title="End the pause", action="End the pause",
        text=f"{said} {day_words(event.on, today=today)}.",
    )  # fmt: skip


@may("event.record")
@GET_OR_POST
def refit(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log a refit to another mask family."""
    person, today = _person(request, public_id)
    form = RefitForm(posted(request), initial={"on": today}, families=mask_families())

    def write() -> str:
        family, on = form.cleaned_data["family"], form.cleaned_data["on"]
        events.record_refit(patient=person, family=family, on=on, by=request.staff.user, now=clock.now())
        return f"Refit logged: {family} on {day_words(on, today=today)}."

    return act(
        request, form, write, person=person, title="Log a refit", action="Log the refit",
        text="Masks, cushions, pillows and headgear of every other family end on that day, spares too. Log "
        "the new mask as a dispense of the same day.",
    )  # fmt: skip


@may("event.void")
@GET_OR_POST
def event_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take an event back with a reason."""
    event = access.event_or_404(request, public_id)
    today = clock.today(event.patient.time_zone)
    name = f"{event.get_event_display().lower()} on {day_words(event.on, today=today)}"

    return take_back(
        request, partial(events.void_event, event), done=f"Voided: {name}.",
        person=event.patient, title=f"Void: {name}", action="Void the record",
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
