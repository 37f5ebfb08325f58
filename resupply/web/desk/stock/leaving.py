"""Move parts to another location, or discard them: a sheet of the shelf, and how many of each lot."""

from collections.abc import Callable
from typing import Any
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import Location, StockMovement
from resupply.services import stocking
from resupply.services.errors import Refused
from resupply.services.shelves import StockLine
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.stock import scans
from resupply.web.desk.stock.forms import DiscardForm, MoveForm
from resupply.web.desk.stock.scans import Said
from resupply.web.desk.stock.sheets import (
    Sheet,
    SheetRow,
    asked_lines,
    count_up,
    drawn_sheet,
    fresh_sheet,
    sent_sheet,
    typed_sheet,
)
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST
from resupply.web.no_location import needs_location
from resupply.web.wording import counted

Write = Callable[[Sheet, list[StockLine]], list[StockMovement]]


@may("stock.change")
@GET_OR_POST
@needs_location
def move(request: StaffRequest) -> HttpResponse:
    """Move parts to another location, both halves in one act."""
    sheet, said = _sheet(request)
    others = access.locations(request).exclude(pk=sheet.place.pk)
    first = {"moved_on": sheet.today, "form_key": uuid4(), "target": others.first()}
    form = _head(request, lambda data, initial: MoveForm(data, initial=initial, locations=others), first)

    def write(sheet: Sheet, lines: list[StockLine]) -> list[StockMovement]:
        head = form.cleaned_data
        return stocking.move(
            source=sheet.place, target=head["target"], lines=lines, moved_on=head["moved_on"],
            note=head["note"], form_key=head["form_key"], by=request.staff.user, now=clock.now(),
        )  # fmt: skip

    done = _write(request, sheet, form, write)
    if done:
        units = counted(sum(row.quantity for row in done if row.quantity > 0), "unit")
        messages.success(request, f"Moved: {units} from {sheet.place.name} to {form.cleaned_data['target']}.")
        return _to_shelves(sheet.place)
    return _answer(
        request, sheet, form, said, title="Move parts", button="Move the parts", verb="Move",
        text="to another location of the clinic; they leave here and arrive there in one act",
        empty="There is no other location to move parts to." if not others else "",
    )  # fmt: skip


@may("stock.change")
@GET_OR_POST
@needs_location
def discard(request: StaffRequest) -> HttpResponse:
    """Discard parts with a reason."""
    sheet, said = _sheet(request)
    first = {"discarded_on": sheet.today, "form_key": uuid4()}
    form = _head(request, lambda data, initial: DiscardForm(data, initial=initial), first)

    def write(sheet: Sheet, lines: list[StockLine]) -> list[StockMovement]:
        head = form.cleaned_data
        return stocking.discard(
            location=sheet.place, lines=lines, discarded_on=head["discarded_on"], reason=head["reason"],
            form_key=head["form_key"], by=request.staff.user, now=clock.now(),
        )  # fmt: skip

    done = _write(request, sheet, form, write)
    if done:
        units = counted(sum(-row.quantity for row in done), "unit")
        messages.success(request, f"Discarded: {units} from the shelf of {sheet.place.name}.")
        return _to_shelves(sheet.place)
    return _answer(
        request, sheet, form, said, title="Discard parts", button="Discard the parts", verb="Discard",
        text="expired, damaged or recalled parts; the reason stays on record", danger=True,
    )  # fmt: skip


def _is_final(request: StaffRequest) -> bool:
    """Whether the form was posted; a filled scan field is never posted."""
    return request.method == "POST" and "post" in request.POST and not scans.has_scan(request)


def _sheet(request: StaffRequest) -> tuple[Sheet, Said | None]:
    """The sheet, and what a scan did to it."""
    if request.method == "GET":
        return fresh_sheet(request, least=1), None
    if _is_final(request):
        return sent_sheet(request), None
    rows = typed_sheet(request)
    sheet = drawn_sheet(request, rows)
    if not scans.has_scan(request):
        return sheet, None
    found = scans.read(request, today=sheet.today)
    if isinstance(found, Said):
        return sheet, found
    said = count_up(rows, found, today=sheet.today)
    if said is None:
        told = f"{found.item} of this lot is not on this sheet. Compare lot and expiry, or count the shelf."
        said = found.said(problem=told)
    return drawn_sheet(request, rows), said


def _head(
    request: StaffRequest, make: Callable[[Any, dict[str, Any]], forms.Form], first: dict[str, Any]
) -> forms.Form:
    """The head of the form: fresh, as typed, or to be validated."""
    if _is_final(request):
        return make(request.POST, first)
    return make(None, first if request.method == "GET" else request.POST.dict())


def _write(request: StaffRequest, sheet: Sheet, form: forms.Form, write: Write) -> list[StockMovement]:
    """What the service recorded; nothing where the form has to be mended, with the errors in place."""
    if not _is_final(request) or not (form.is_valid() and sheet.formset.is_valid()):
        return []
    wanted: list[SheetRow] = [row for row in sheet.wanted if row.form.cleaned_data["number"] != 0]
    try:
        return write(sheet, [StockLine(**line) for line in asked_lines(wanted)])
    except Refused as refusal:
        at_row = None if refusal.row is None else wanted[refusal.row].form
        if at_row is None:
            show(refusal, form)
        else:
            at_row.add_error("number", refusal.message)
        return []


def _to_shelves(place: Location) -> HttpResponse:
    return redirect(f"{reverse('stock:shelves')}?location={place.pk}")


def _answer(
    request: StaffRequest, sheet: Sheet, form: forms.Form, said: Said | None, **words: object
) -> HttpResponse:
    """The page."""
    has_errors = bool(form.errors) or sheet.has_errors
    context = {
        "today": sheet.today,
        "sheet": sheet,
        "form": form,
        "has_errors": has_errors,
        "said": said,
        "scan": scans.scan_form(focus=bool(said)),
        "back_url": reverse("stock:shelves"),
        **words,
    }
    scans.tell(request, said)
    is_refused = has_errors or bool(said and said.problem)
    return render(request, "desk/stock/leaving.html", context, status=422 if is_refused else 200)
