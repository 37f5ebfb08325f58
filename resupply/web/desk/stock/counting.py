"""Count the shelves: a sheet with what is expected, what was counted beside it, differences before they are
recorded. A lot that moved meanwhile is flagged and counted again; everything typed stays.
"""

from dataclasses import dataclass
from hashlib import sha256
from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import CatalogueItem, StockCount
from resupply.queries.stock import offered
from resupply.services import counts
from resupply.services.counts import CountLine, Recount
from resupply.services.errors import Refused
from resupply.web.access import StaffRequest, may
from resupply.web.desk.stock import scans
from resupply.web.desk.stock.forms import CountForm, LotKey, NewLotForm, NewLotFormSet
from resupply.web.desk.stock.receive import Row, count_in, new_line, typed_lots
from resupply.web.desk.stock.scans import Found, Said
from resupply.web.desk.stock.sheets import (
    Sheet,
    asked_lines,
    count_up,
    drawn_sheet,
    fresh_sheet,
    sent_sheet,
    typed_sheet,
)
from resupply.web.desk.stock.words import item_choices, lot_name, signed
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST
from resupply.web.no_location import needs_location
from resupply.web.wording import counted

BLANK_ROWS = 2
MOVED = "Stock moved here while you counted: {} expected now, {} on your sheet. Count this line again."


@dataclass(slots=True)
class Difference:
    """A line whose count is not what was expected."""

    item: CatalogueItem
    lot: str
    expected: int
    counted: int

    @property
    def by(self) -> str:
        """`+2`, `−1`."""
        return signed(self.counted - self.expected)


@dataclass(slots=True)
class Counting:
    """The form as a whole. `found` are lots on the shelf that the sheet does not list."""

    sheet: Sheet
    head: CountForm
    found: "BaseFormSet[NewLotForm]"
    items: dict[int, CatalogueItem]
    said: Said | None = None
    differences: list[Difference] | None = None
    is_moved: bool = False

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        found_errors = self.found.is_bound and not self.found.is_valid()
        return bool(self.head.errors) or self.sheet.has_errors or found_errors

    def lines(self) -> list[CountLine]:
        """What was counted, as the service takes it: the sheet's rows, then those it does not list."""
        listed = [row.key.expected for row in self.sheet.wanted]
        lines = [
            CountLine(expected=expected, **line)
            for expected, line in zip(listed, asked_lines(self.sheet.wanted), strict=True)
        ]
        for form in self.found:
            if form.is_wanted:
                new = new_line(form.cleaned_data, self.items)
                lines.append(
                    CountLine(
                        item=new.item,
                        quantity=new.quantity,
                        lot=new.lot,
                        expires_on=new.expires_on,
                        expected=0,
                    )
                )
        return lines


@may("stock.change")
@GET_OR_POST
@needs_location
def count(request: StaffRequest) -> HttpResponse:
    """The sheet; its differences; recorded, the shelves."""
    counting = _counting(request)
    done = None
    if counting.head.is_bound and not counting.has_errors:
        done = _look_or_record(request, counting)
    if done is not None:
        place = counting.sheet.place
        changed = counted(done.movements.count(), "difference")
        messages.success(request, f"Count of {place.name} recorded: {changed}.")
        return redirect(f"{reverse('stock:shelves')}?location={place.pk}")
    said = counting.said
    scans.tell(request, said)
    is_refused = counting.has_errors or counting.is_moved or bool(said and said.problem)
    context = {
        "today": counting.sheet.today,
        "sheet": counting.sheet,
        "form": counting.head,
        "found": counting.found,
        "has_errors": counting.has_errors,
        "said": said,
        "scan": scans.scan_form(focus=bool(said)),
        "differences": counting.differences,
        "is_moved": counting.is_moved,
        "is_looked_at": counting.is_moved or counting.differences is not None,
        "back_url": reverse("stock:shelves"),
    }
    return render(request, "desk/stock/count.html", context, status=422 if is_refused else 200)


def _counting(request: StaffRequest) -> Counting:
    """The fresh, scanned or sent form."""
    if request.method == "GET":
        sheet = fresh_sheet(request)
        return _drawn(sheet, {"counted_on": sheet.today, "form_key": uuid4()}, [])
    if scans.has_scan(request) or not ({"check", "record"} & request.POST.keys()):
        return _scanned(request)
    items = offered()
    found = NewLotFormSet(request.POST, prefix="found", form_kwargs={"items": item_choices(items)})
    return Counting(sent_sheet(request), CountForm(request.POST), found, {item.pk: item for item in items})


def _scanned(request: StaffRequest) -> Counting:
    """The form as typed, with one more where a scan found its lot, or with another row."""
    rows, found_rows = typed_sheet(request), typed_lots(request, "found")
    said = None
    sheet = drawn_sheet(request, rows)
    if scans.has_scan(request):
        found = scans.read(request, today=sheet.today)
        said = found if isinstance(found, Said) else count_up(rows, found, today=sheet.today)
        if isinstance(found, Found) and said is None and (number := count_in(found_rows, found)):
            lot = lot_name(found.scan.lot, found.scan.expires_on, today=sheet.today)
            done = f"{found.item}, {lot}, is not on the sheet: added below. {number} so far."
            said = found.said(done=done)
        sheet = drawn_sheet(request, rows)
    return _drawn(sheet, request.POST.dict() | {"shown": ""}, found_rows, said)


def _drawn(sheet: Sheet, head: dict[str, Any], found_rows: list[Row], said: Said | None = None) -> Counting:
    """A form that shows this, nothing checked."""
    items = offered()
    found = NewLotFormSet(initial=found_rows, prefix="found", form_kwargs={"items": item_choices(items)})
    found.extra = BLANK_ROWS
    return Counting(sheet, CountForm(initial=head), found, {item.pk: item for item in items}, said)


def _look_or_record(request: StaffRequest, counting: Counting) -> StockCount | None:
    """Record what the page has shown the differences of; otherwise show them. None: the page again."""
    lines, place = counting.lines(), counting.sheet.place
    head = counting.head.cleaned_data
    is_shown = "record" in request.POST and head["shown"] == _mark(lines)
    try:
        moved = counts.look(place, lines, counted_on=head["counted_on"], now=clock.now())
        if is_shown and not moved:
            return counts.count(
                location=place, lines=lines, counted_on=head["counted_on"], note=head["note"],
                form_key=head["form_key"], by=request.staff.user, now=clock.now(),
            )  # fmt: skip
    except Recount as refusal:
        moved = refusal.on_hand
    except Refused as refusal:
        _show(refusal, counting)
        return None
    _redraw(request, counting, lines, moved)
    return None


def _redraw(request: StaffRequest, counting: Counting, lines: list[CountLine], moved: dict[int, int]) -> None:
    """Show the differences; lines that moved are expected anew and flagged."""
    old = counting.sheet
    listed = len(old.wanted)
    place_of = {row.form.prefix: place for place, row in enumerate(old.wanted)}
    rows: list[Row] = []
    notes: list[str] = []
    for row in old.rows:
        place = place_of.get(row.form.prefix, -1)
        key, note = row.key, ""
        if place in moved:
            key = LotKey(key.item_id, key.expires_on, moved[place], key.lot)
            note = MOVED.format(moved[place], row.key.expected)
        number = row.form.cleaned_data["number"]  # it may have been typed as 3.0
        rows.append({"key": str(key), "number": "" if number is None else str(number)})
        notes.append(note)
    found_rows = _still_found(counting, rows, notes, {at - listed: now for at, now in moved.items()})
    sheet = drawn_sheet(request, rows)
    sheet.is_cut = old.is_cut
    for sheet_row, note, sent in zip(sheet.rows, notes, rows, strict=True):
        sheet_row.note = note
        if sent["number"]:
            sheet_row.difference = int(sent["number"]) - sheet_row.key.expected
    fresh = _drawn(sheet, request.POST.dict(), found_rows)
    counting.sheet, counting.found, counting.is_moved = sheet, fresh.found, bool(moved)
    counting.differences = None if moved else _differences(lines, sheet)
    fresh.head.initial["shown"] = "" if moved else _mark(lines)
    counting.head = fresh.head


def _still_found(counting: Counting, rows: list[Row], notes: list[str], moved: dict[int, int]) -> list[Row]:
    """The lots typed below the sheet. One that came onto the shelf meanwhile moves up into the sheet."""
    kept = []
    typed = [form for form in counting.found if form.is_wanted]
    for place, form in enumerate(typed):
        data = form.cleaned_data
        if place in moved:
            key = LotKey(data["item"], data["expires_on"], moved[place], data["lot"].strip())
            rows.append({"key": str(key), "number": str(data["quantity"])})
            notes.append(MOVED.format(moved[place], 0))
        else:
            kept.append({name: str(form[name].value() or "") for name in form.fields})
    return kept


def _differences(lines: list[CountLine], sheet: Sheet) -> list[Difference]:
    return [
        Difference(
            line.item, lot_name(line.lot, line.expires_on, today=sheet.today), line.expected, line.quantity
        )
        for line in lines
        if line.quantity != line.expected
    ]


def _mark(lines: list[CountLine]) -> str:
    """Stands for exactly these numbers: what was changed after a look is looked at again."""
    told = [(line.item.pk, line.lot, str(line.expires_on), line.expected, line.quantity) for line in lines]
    return sha256(repr(told).encode()).hexdigest()[:16]


def _show(refusal: Refused, counting: Counting) -> None:
    """Put a refusal at its line."""
    listed = counting.sheet.wanted
    if refusal.row is None:
        show(refusal, counting.head)
    elif refusal.row < len(listed):
        listed[refusal.row].form.add_error("number", refusal.message)
    else:
        show(refusal, [form for form in counting.found if form.is_wanted][refusal.row - len(listed)])
