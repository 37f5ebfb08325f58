"""Forms that take back what was dispensed: void and its undo, exchange, a parcel that did not arrive."""

from dataclasses import replace
from datetime import date
from uuid import UUID, uuid4

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import CatalogueItem, Dispense, DispenseLine, Parcel
from resupply.queries import stock as stock_queries
from resupply.queries.screening import givable
from resupply.services import corrections, exchanges
from resupply.services.exchanges import Replacement
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act
from resupply.web.desk.correction_forms import ExchangeForm, ParcelForm, TakeBackForm
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words, kind_word

Lots = dict[int, list[stock_queries.Lot]]
"""Lots in stock by item."""
STAYS = "The plan is worked out again without it. The record stays, struck through, with your reason."


@may("dispense.void")
@GET_OR_POST
def dispense_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a whole dispense back with a reason."""
    dispense = access.dispense_or_404(request, public_id)
    form = TakeBackForm(posted(request), tracks_stock=_tracks_stock(dispense))
    name = _name(dispense)

    def write() -> str:
        corrections.void_dispense(
            dispense,
            reason=form.cleaned_data["reason"],
            to_shelf=form.to_shelf,
            by=request.staff.user,
            now=clock.now(),
        )
        return f"Voided: {name}."

    return act(
        request, form, write, person=dispense.patient, title=f"Void the {name}",
        action="Void the dispense", danger=True,
        text="All its parts are taken back and the plan is worked out again. The record stays, struck "
        "through, with your reason.",
        undo_url=reverse("desk:dispense_undo", args=[dispense.public_id]),
    )  # fmt: skip


@may("dispense.void")
@GET_OR_POST
def line_void(request: StaffRequest, public_id: UUID, position: int) -> HttpResponse:
    """Take one part of a dispense back with a reason."""
    line = access.dispense_line_or_404(request, public_id, position)
    form = TakeBackForm(posted(request), tracks_stock=_tracks_stock(line.dispense))
    name = _line_name(line)

    def write() -> str:
        corrections.void_line(
            line,
            reason=form.cleaned_data["reason"],
            to_shelf=form.to_shelf,
            by=request.staff.user,
            now=clock.now(),
        )
        return f"Voided: {name}."

    return act(
        request, form, write, person=line.dispense.patient, title=f"Void: {name}",
        action="Void the part", danger=True,
        text=STAYS, undo_url=reverse("desk:line_undo", args=[public_id, position]),
    )  # fmt: skip


@may("dispense.void")
@GET_OR_POST
def dispense_undo(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Undo the void of a dispense, within a quarter of an hour."""
    dispense = access.dispense_or_404(request, public_id)
    return _undo(request, dispense, dispense, _name(dispense))


@may("dispense.void")
@GET_OR_POST
def line_undo(request: StaffRequest, public_id: UUID, position: int) -> HttpResponse:
    """Undo the void of one part, within a quarter of an hour."""
    line = access.dispense_line_or_404(request, public_id, position)
    return _undo(request, line, line.dispense, _line_name(line))


@may("dispense.void")
@GET_OR_POST
def parcel(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log that a parcel came back, or was lost."""
    dispense = access.dispense_or_404(request, public_id)
    today = clock.today(dispense.location.time_zone)
    form = ParcelForm(posted(request), initial={"on": today}, tracks_stock=_tracks_stock(dispense))

    def write() -> str:
        on, by, now = form.cleaned_data["on"], request.staff.user, clock.now()
        if form.cleaned_data["parcel"] == Parcel.LOST:
            corrections.parcel_lost(dispense, on=on, by=by, now=now)
            return f"Parcel lost: {_name(dispense)}. The refill is open again."
        corrections.parcel_undelivered(dispense, on=on, to_shelf=form.to_shelf, by=by, now=now)
        return f"Parcel came back: {_name(dispense)}. The refill is open again."

    return act(
        request, form, write, person=dispense.patient, title=f"Parcel not delivered: {_name(dispense)}",
        action="Log the parcel", danger=True,
        text="The patient never had these parts: the dispense is voided, the plan is worked out again and "
        "coverage opens. The record stays, marked with what became of the parcel.",
        undo_url=reverse("desk:dispense_undo", args=[dispense.public_id]),
    )  # fmt: skip


@may("dispense.exchange")
@GET_OR_POST
def line_exchange(request: StaffRequest, public_id: UUID, position: int) -> HttpResponse:
    """Exchange a part of the wrong size: part back, part out, in one act."""
    line = access.dispense_line_or_404(request, public_id, position)
    form, lots = _exchange_form(request, line)

    def write() -> Dispense:
        data = form.cleaned_data
        return exchanges.exchange(
            line,
            _with_expiry(form.replacement(), lots),
            on=data["on"],
            reason=data["reason"],
            back_to_shelf=form.to_shelf,
            allow_short=data.get("allow_short", False),
            by=request.staff.user,
            now=clock.now(),
            form_key=data["form_key"],
        )

    if request.method == "POST" and (new := written(form, write)):
        messages.success(request, f"Exchanged: {_line_name(line)}. Have slip {new.number} signed.")
        return redirect("desk:slip", new.public_id)
    context = {
        "person": line.dispense.patient,
        "line": line,
        "name": _line_name(line),
        "form": form,
        "today": _today(line.dispense),
        "back_url": reverse("desk:slip", args=[public_id]),
    }
    return render(request, "desk/exchange.html", context, status=422 if form.errors else 200)


def _exchange_form(request: StaffRequest, line: DispenseLine) -> tuple[ExchangeForm, Lots]:
    """The form, with the items of the line's kind that may be given, and their lots in stock."""
    place = line.dispense.location
    today = clock.today(place.time_zone)
    offered = CatalogueItem.objects.filter(kind=line.kind, is_offered=True)
    keys = [item.pk for item in givable(line.dispense.patient_id, offered, today=today)]
    items = offered.filter(pk__in=keys)
    lots = stock_queries.lots(place.pk, keys, today=today)
    form = ExchangeForm(
        posted(request),
        initial={"on": today, "form_key": uuid4()},
        tracks_stock=place.tracks_stock,
        items=items,
        lots=sorted({lot.lot for found in lots.values() for lot in found if lot.lot}),
    )
    return form, lots


def _with_expiry(new: Replacement, lots: Lots) -> Replacement:
    """What goes out, with the expiry that stock has on record for its lot, where none was typed."""
    lot = new.lot.strip().casefold()
    days = {found.expires_on for found in lots.get(new.item.pk, ()) if found.lot.casefold() == lot}
    if not lot or new.expires_on is not None or len(days) != 1:
        return new
    return replace(new, expires_on=days.pop())


def _undo(
    request: StaffRequest, record: Dispense | DispenseLine, dispense: Dispense, name: str
) -> HttpResponse:
    form = forms.Form(posted(request))

    def write() -> str:
        corrections.restore(record, by=request.staff.user, now=clock.now())
        return f"The void is undone: {name} stands again."

    return act(
        request, form, write, person=dispense.patient, title=f"Undo the void: {name}", action="Undo the void",
        text="It stands again as if it had not been voided, and the plan follows. This works for "
        f"{corrections.UNDO_MINUTES} minutes after the void.",
        back_url=reverse("desk:slip", args=[dispense.public_id]),
    )  # fmt: skip


def _tracks_stock(dispense: Dispense) -> bool:
    return dispense.location.tracks_stock


def _today(dispense: Dispense) -> date:
    return clock.today(dispense.patient.time_zone)


def _name(dispense: Dispense) -> str:
    return f"dispense of {day_words(dispense.dispensed_on, today=_today(dispense))}"


def _line_name(line: DispenseLine) -> str:
    day = day_words(line.dispense.dispensed_on, today=_today(line.dispense))
    return f"{line.quantity} × {kind_word(line.kind).lower()} of {day}"
