"""Receive parts: each scan counts one into a row, typing works as well, and only the button posts."""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import CatalogueItem, StockMovement
from resupply.queries.recalls import standing
from resupply.queries.stock import offered, recall_of
from resupply.services import stocking
from resupply.services.errors import Refused
from resupply.services.shelves import StockLine
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.desk.stock import scans
from resupply.web.desk.stock.forms import MOST_ROWS, NewLotForm, NewLotFormSet, ReceiveForm
from resupply.web.desk.stock.scans import Found, Said
from resupply.web.desk.stock.words import chosen_place, item_choices, lot_name, my_places, place_notes
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST
from resupply.web.no_location import needs_location
from resupply.web.wording import counted, day_words

BUTTON = "Put on the shelf"
BLANK_ROWS = 3
RECALLED = (
    "A recall names this part: “{}”. Keep it apart, do not dispense it, and follow the recall's notice."
)
Row = dict[str, str]


@dataclass(slots=True)
class Receipt:
    """The form as a whole."""

    today: date
    head: ReceiveForm
    formset: "BaseFormSet[NewLotForm]"
    items: dict[int, CatalogueItem]
    said: Said | None = None

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        return bool(self.head.errors) or any(form.errors for form in self.formset)


@may("stock.change")
@GET_OR_POST
@needs_location
def receive(request: StaffRequest) -> HttpResponse:
    """The form; posted, the shelves of that location."""
    receipt = _receipt(request)
    is_final = "post" in request.POST and not scans.has_scan(request)
    recorded = _record(request, receipt) if is_final else []
    if recorded:
        place = recorded[0].location
        units = counted(sum(row.quantity for row in recorded), "unit")
        messages.success(request, f"Received: {units} on the shelf of {place.name}.")
        return redirect(f"{reverse('stock:shelves')}?location={place.pk}")
    said = receipt.said
    context = {
        "today": receipt.today,
        "form": receipt.head,
        "rows": receipt.formset,
        "has_errors": receipt.has_errors,
        "scan": scans.scan_form(focus=request.method == "GET" or not is_final),
        "said": said,
        "new_item_url": scans.new_item_url(request, said, can(request, "catalogue.change")),
        "button": BUTTON,
        "notes": place_notes(my_places(request)),
        "back_url": reverse("stock:shelves"),
    }
    scans.tell(request, said)
    is_refused = receipt.has_errors or bool(said and said.problem)
    return render(request, "desk/stock/receive.html", context, status=422 if is_refused else 200)


def typed_rows(request: HttpRequest, prefix: str, names: list[str], most: int) -> list[Row]:
    """The rows of a formset as typed so far, wherever that leads."""
    sent = request.POST.get(f"{prefix}-TOTAL_FORMS", "")
    count = min(int(sent), most) if sent.isdecimal() and len(sent) < 6 else 0
    return [
        {name: request.POST.get(f"{prefix}-{place}-{name}", "") for name in names} for place in range(count)
    ]


def typed_lots(request: HttpRequest, prefix: str) -> list[Row]:
    """The rows of new lots as typed; blank ones are left out."""
    rows = typed_rows(request, prefix, [*NewLotForm.base_fields], MOST_ROWS)
    return [row for row in rows if any(row.values())]


def count_in(rows: list[Row], found: Found) -> str:
    """Count a scanned part into its row, or a new one; what is left to say (empty: there is no room)."""
    item, scan = found.item, found.scan
    told = {
        "item": str(item.pk),
        "lot": scan.lot,
        "expires_on": scan.expires_on.isoformat() if scan.expires_on else "",
    }
    same = [row for row in rows if row["scanned"] and all(row[name] == told[name] for name in told)]
    row = next((row for row in same if row["quantity"].isdecimal() and len(row["quantity"]) < 5), None)
    if row is None:
        if len(rows) >= MOST_ROWS:
            return ""
        row = told | {"quantity": "0", "scanned": "1"}
        rows.append(row)
    row["quantity"] = str(int(row["quantity"]) + 1)
    return row["quantity"]


def _receipt(request: StaffRequest) -> Receipt:
    """The empty or returned form."""
    places = my_places(request)
    here = chosen_place(request, places)
    today = clock.today(here.time_zone)
    if request.method == "GET":
        first = {"location": here.pk, "received_on": today, "form_key": uuid4()}
        return _drawn(request, today, first, [])
    if "post" in request.POST and not scans.has_scan(request):
        items = offered()
        kwargs = {"items": item_choices(items)}
        head = ReceiveForm(request.POST, locations=access.locations(request))
        formset = NewLotFormSet(request.POST, prefix="rows", form_kwargs=kwargs)
        return Receipt(today, head, formset, {item.pk: item for item in items})
    rows = typed_lots(request, "rows")
    said = _read_in(request, rows, today) if scans.has_scan(request) else None
    return _drawn(request, today, request.POST.dict(), rows, said)


def _drawn(
    request: StaffRequest,
    today: date,
    head: dict[str, Any],
    rows: list[Row],
    said: Said | None = None,
) -> Receipt:
    """A form that shows these rows and some blank ones."""
    items = offered()
    formset = NewLotFormSet(initial=rows, prefix="rows", form_kwargs={"items": item_choices(items)})
    formset.extra = min(BLANK_ROWS, MOST_ROWS - len(rows))
    form = ReceiveForm(initial=head, locations=access.locations(request))
    return Receipt(today, form, formset, {item.pk: item for item in items}, said)


def _read_in(request: StaffRequest, rows: list[Row], today: date) -> Said:
    """Count the scan into the rows; what may not go on the shelf leaves them alone."""
    found = scans.read(request, today=today)
    if isinstance(found, Said):
        return found
    item, expires_on = found.item, found.scan.expires_on
    if expires_on and expires_on < _day_typed(request, today):
        told = f"{item} expired on {day_words(expires_on, today=today)}: do not put it on the shelf."
        return found.said(problem=told)
    if not item.is_offered:
        return found.said(problem=f"{item} is no longer offered: offer it again in the catalogue first.")
    if recall := recall_of(standing(), item, found.scan.lot):
        found = replace(found, cautions=(*found.cautions, RECALLED.format(recall)))
    count = count_in(rows, found)
    if not count:
        return found.said(problem=f"The list has {MOST_ROWS} rows already. Put these on the shelf first.")
    lot = lot_name(found.scan.lot, expires_on, today=today)
    return found.said(done=f"Added: {item}, {lot}. Scanned so far: {count}. Not on the shelf yet.")


def _record(request: StaffRequest, receipt: Receipt) -> list[StockMovement]:
    """What the service recorded; nothing where the form has to be mended, with the errors in place."""
    if not (receipt.head.is_valid() and receipt.formset.is_valid()):
        return []
    wanted = [form for form in receipt.formset if form.is_wanted]
    head = receipt.head.cleaned_data
    try:
        return stocking.receive(
            location=head["location"],
            lines=[new_line(form.cleaned_data, receipt.items) for form in wanted],
            received_on=head["received_on"],
            note=head["note"],
            form_key=head["form_key"],
            by=request.staff.user,
            now=clock.now(),
        )
    except Refused as refusal:
        show(refusal, receipt.head if refusal.row is None else wanted[refusal.row])
        return []


def new_line(row: dict[str, Any], items: dict[int, CatalogueItem]) -> StockLine:
    """A row as the service takes it."""
    return StockLine(
        item=items[row["item"]], quantity=row["quantity"], lot=row["lot"], expires_on=row["expires_on"]
    )


def _day_typed(request: StaffRequest, today: date) -> date:
    """The day as typed; today where that is no day yet."""
    try:
        return date.fromisoformat(request.POST.get("received_on", ""))
    except ValueError:
        return today
