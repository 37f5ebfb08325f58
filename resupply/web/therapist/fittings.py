"""Fittings: masks tried on in the patient's sight, where each leaks, and what is kept."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import CatalogueItem, Fitting, FittingOutcome, FittingTry, Patient
from resupply.queries import fittings as fittings_of
from resupply.queries import matching as matches_of
from resupply.queries.patients import standing
from resupply.rules import fitting as rules
from resupply.rules.fitting import Leak, Remedy, is_better
from resupply.services import fittings as service
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import ask, take_back
from resupply.web.forms import written
from resupply.web.line_rows import chart_of, rows_of
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.no_location import NoLocationError, needs_location
from resupply.web.strip import StripChart
from resupply.web.therapist.fitting_forms import BeginForm, EndForm, TryForm
from resupply.web.therapist.leak_map import Spot, spots, summary
from resupply.web.wording import day_words


@may("fitting.see")
@require_GET
def fittings(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """What suited, what was tried and what was kept, newest first; and the way on."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    names = matches_of.style_names(today)
    context = {
        "person": person,
        "today": today,
        "matches": [(row, names.get(row.style, row.style)) for row in matches_of.matches(person)],
        "fittings": fittings_of.fittings(person),
        "may_record": access.can(request, "fitting.record"),
        "chart": _chart(person, today=today),
    }
    return render(request, "therapist/fittings.html", context)


def _chart(person: Patient, *, today: date) -> StripChart | None:
    """What the patient has in use and in reserve."""
    plans.refresh_if_run_out(person, now=clock.now())
    return chart_of(person, rows_of(person, today=today), today=today)


@may("fitting.record")
@GET_OR_POST
@needs_location
def begin(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Begin a fitting: where and when, on the newest match."""
    person = access.patient_or_404(request, public_id)
    places = access.open_locations(request)
    here = places.filter(pk=person.location_id).first() or places.first()
    if here is None:
        raise NoLocationError
    today = clock.today(here.time_zone)
    form = BeginForm(posted(request), initial={"location": here, "fitted_on": today}, locations=places)

    def write() -> Fitting:
        return service.begin_fitting(
            patient=person,
            location=form.cleaned_data["location"],
            fitted_on=form.cleaned_data["fitted_on"],
            match=matches_of.latest_match(person),
            by=request.staff.user,
            now=clock.now(),
        )

    if request.method == "POST" and (made := written(form, write)):
        return redirect("therapist:fitting", made.public_id)
    return ask(
        request, form, person=person, title="Begin a fitting", action="Begin the fitting", today=today,
        text="Each mask tried, its size and where it leaks is kept. Nothing is given out by it.",
        back_url=reverse("therapist:fittings", args=[person.public_id]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class TryView:
    """A try as shown: its map, in drawing and words, and whether it leaks less than the one before."""

    made: FittingTry
    spots: list[Spot]
    words: str
    is_better: bool


@may("fitting.record")
@GET_OR_POST
def fitting(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A fitting: its steps, its tries, and one more; `item` in the address chooses the mask and its map."""
    visit = access.fitting_or_404(request, public_id)
    person, today = visit.patient, clock.today(visit.location.time_zone)
    offer = fittings_of.masks(person, today=today)
    tries = list(visit.tries.select_related("item"))
    mask = _chosen(request, offer.masks, tries)
    first = _first(visit, mask, tries)
    form = TryForm(posted(request), initial=first, masks=offer.masks, style=mask.style if mask else "")
    form.suggest(mask.pack_sizes or [mask.size] if mask else [])
    if request.method == "POST" and (made := written(form, lambda: _add(visit, form, mask))):
        messages.success(request, f"Try {made.position} kept: {summary(made.style, made.leaks)}.")
        return redirect(f"{reverse('therapist:fitting', args=[visit.public_id])}?item={made.item_id}")
    context = {
        "person": person,
        "today": today,
        "fitting": visit,
        "tries": _views(tries),
        "remedies": _remedies(tries),
        "form": form,
        "mask": mask,
        "steps": rules.steps(mask.style) if mask else (),
        "spots": spots(mask.style, {}, form) if mask else [],
        "stopped": offer.stopped,
        "end_form": EndForm(tries=tries),
        "chart": _chart(person, today=today),
    }
    return render(request, "therapist/fitting.html", context, status=422 if form.errors else 200)


@may("fitting.record")
@GET_OR_POST
def end(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """End a fitting; a mask kept leads to the dispense, filled in."""
    visit = access.fitting_or_404(request, public_id)
    person, tries = visit.patient, list(visit.tries.select_related("item"))
    form = EndForm(posted(request), tries=tries)

    def write() -> Fitting:
        data = form.cleaned_data
        kept = next((made for made in tries if str(made.position) == data["kept"]), None)
        return service.end_fitting(
            visit,
            outcome=data["outcome"],
            kept=kept,
            note=data["note"],
            by=request.staff.user,
            now=clock.now(),
        )

    if request.method == "POST" and (done := written(form, write)):
        messages.success(request, f"Fitting ended: {done.get_outcome_display().lower()}.")
        if done.outcome == FittingOutcome.KEPT:
            return redirect(f"{reverse('desk:dispense', args=[person.public_id])}?fitting={done.public_id}")
        return redirect("therapist:fittings", person.public_id)
    return ask(
        request, form, person=person, title="End the fitting", action="End the fitting",
        text="A mask that was kept closes the lines of another mask family, and the form to give it out "
        "opens next with the mask filled in.",
        today=clock.today(visit.location.time_zone),
        back_url=reverse("therapist:fitting", args=[visit.public_id]),
    )  # fmt: skip


@may("fitting.record")
@GET_OR_POST
def fitting_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a fitting back with a reason, and the refit it recorded."""
    visit = access.fitting_or_404(request, public_id)
    person = visit.patient
    name = f"fitting of {day_words(visit.fitted_on, today=clock.today(person.time_zone))}"

    return take_back(
        request, partial(service.void_fitting, visit), done=f"Voided: {name}.",
        person=person, title=f"Void the {name}", action="Void the fitting",
        text="The refit it recorded is taken back too. Parts given out after it stay: void their dispense by "
        "itself. The record stays, struck through, with your reason.",
        back_url=reverse("therapist:fittings", args=[person.public_id]),
    )  # fmt: skip


def _add(visit: Fitting, form: TryForm, mask: CatalogueItem | None) -> FittingTry:
    data = form.cleaned_data
    if mask is None:
        raise Refused("item", "Choose one of the masks offered.", "item")
    return service.add_try(
        visit,
        item=mask,
        size=data["size"],
        pressure=data["pressure"],
        lying=data["lying"],
        leaks=form.leaks(),
        next_change=data["next_change"],
        now=clock.now(),
    )


def _chosen(
    request: StaffRequest, masks: Sequence[CatalogueItem], tries: Sequence[FittingTry]
) -> CatalogueItem | None:
    """The mask the form is about: the one sent, the one in the address, or the one tried last."""
    last = str(tries[-1].item_id) if tries else ""
    wanted = request.POST.get("item") or request.GET.get("item") or last
    return next((mask for mask in masks if str(mask.pk) == wanted), None)


def _first(visit: Fitting, mask: CatalogueItem | None, tries: Sequence[FittingTry]) -> dict[str, object]:
    """What the form of a try shows first: as the try before, else the pressure on record."""
    first: dict[str, object] = {"item": mask.pk if mask else "", "lying": "back"}
    if tries:
        first |= {"pressure": tries[-1].pressure, "lying": tries[-1].lying}
        if mask is not None and tries[-1].item_id == mask.pk:
            first["size"] = tries[-1].size
    else:
        device = standing(visit.patient, today=visit.fitted_on).device
        first["pressure"] = device and (device.pressure_high or device.pressure_low)
    if mask is not None and not mask.pack_sizes:
        first["size"] = mask.size
    return first


def _views(tries: Sequence[FittingTry]) -> list[TryView]:
    shown = []
    for place, made in enumerate(tries):
        leaks = {site: Leak(leak) for site, leak in made.leaks.items()}
        before = {site: Leak(leak) for site, leak in tries[place - 1].leaks.items()} if place else None
        better = before is not None and is_better(before, leaks)
        shown.append(TryView(made, spots(made.style, made.leaks), summary(made.style, made.leaks), better))
    return shown


def _remedies(tries: Sequence[FittingTry]) -> tuple[Remedy, ...]:
    """What to do about the leak of the last try."""
    if not tries:
        return ()
    leaking = [site for site, leak in tries[-1].leaks.items() if leak != Leak.NONE]
    return rules.remedies("leak", style=tries[-1].style, leaks=leaking) if leaking else ()
