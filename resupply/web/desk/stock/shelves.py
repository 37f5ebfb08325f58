"""The shelves by item and lot, on screen and as CSV; the list to order from; the ledger of one item."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import Location
from resupply.queries import stock
from resupply.queries.stock import EXPIRES_SOON, Shelf, StockFilter
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.desk.stock.forms import ShelvesForm
from resupply.web.desk.stock.words import (
    ShelfWords,
    movement_word,
    my_places,
    place_notes,
    shelf_words,
    signed,
)
from resupply.web.files import csv_file
from resupply.web.paging import number_in
from resupply.web.wording import counted

_HEADER = (
    "location", "item", "size", "kind", "part_code", "gtin", "lot", "expires_on", "on_hand", "low_at",
    "order_up_to", "mark",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Asked:
    """The list that an address asks for."""

    form: ShelvesForm
    wanted: StockFilter
    places: list[Location]
    today: date

    @property
    def soon(self) -> int:
        """Within how many days an expiry is marked."""
        return EXPIRES_SOON if self.wanted.within is None else self.wanted.within

    def rows(self) -> list[ShelfWords]:
        """The shelves in the order asked for."""
        found = [
            shelf_words(shelf, today=self.today, soon=self.soon)
            for shelf in stock.levels(self.wanted, today=self.today)
        ]
        order = self.form.cleaned_data.get("order")
        if order == "few":
            found.sort(key=lambda row: row.usable)
        if order == "expiry":
            found.sort(key=lambda row: row.shelf.expires_first or date.max)
        return found


@may("stock.see")
@require_GET
def shelves(request: StaffRequest) -> HttpResponse:
    """Every item on the shelves with its lots, and what there is to do about them."""
    asked = _asked(request)
    query = request.GET.urlencode()
    rows = asked.rows()
    is_narrowed = asked.wanted != StockFilter(location_ids=request.location_ids or None)
    context = {
        "form": asked.form,
        "today": asked.today,
        "rows": rows,
        "to_do": [] if is_narrowed else _to_do(rows),
        "notes": place_notes(asked.places),
        "may_set": can(request, "stock.target"),
        "list_url": reverse("stock:shelves"),
        "csv_url": reverse("stock:csv") + (f"?{query}" if query else ""),
        "is_narrowed": is_narrowed,
    }
    return render(request, "desk/stock/shelves.html", context)


@may("stock.see")
@require_GET
def shelves_csv(request: StaffRequest) -> StreamingHttpResponse:
    """The same list as CSV, a row for each lot."""
    asked = _asked(request)
    return csv_file(f"stock-{asked.today.isoformat()}", _HEADER, _cells(asked.rows()))


@may("stock.see")
@require_GET
def to_order(request: StaffRequest) -> HttpResponse:
    """What fell to its mark, with how many to order, and what expires before long."""
    today = clock.today(request.zone)
    low = stock.low(request.location_ids, today=today)
    expiring = stock.expiring(request.location_ids, today=today)
    context = {
        "today": today,
        "low": [shelf_words(shelf, today=today) for shelf in low],
        "expiring": [_only_marked(shelf_words(shelf, today=today)) for shelf in expiring],
        "soon": EXPIRES_SOON,
        "may_set": can(request, "stock.target"),
    }
    return render(request, "desk/stock/to_order.html", context)


@may("stock.see")
@require_GET
def ledger(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Every movement of one item, newest first."""
    item = access.item_or_404(public_id)
    before, today = number_in(request, "before"), clock.today(request.zone)
    rows, after = stock.movements(item, request.location_ids, before=before or None)
    wanted = StockFilter(location_ids=request.location_ids or None, item_id=item.pk)
    context = {
        "today": today,
        "item": item,
        "shelves": [shelf_words(shelf, today=today) for shelf in stock.levels(wanted, today=today)],
        "rows": [(row, movement_word(row), signed(row.quantity)) for row in rows],
        "older_url": f"?before={after}" if after else "",
        "first_url": reverse("stock:ledger", args=[item.public_id]) if before else "",
        "my_locations": request.location_ids,
    }
    return render(request, "desk/stock/ledger.html", context)


def _asked(request: StaffRequest) -> Asked:
    """The filters; what does not fit a field is shown there and does not narrow the list."""
    places = my_places(request)
    form = ShelvesForm(request.GET, locations=access.locations(request))
    form.is_valid()
    chosen = form.cleaned_data.get("location")
    today = clock.today(chosen.time_zone if chosen else request.zone)
    return Asked(form, form.wanted(request.location_ids), places, today)


def _to_do(rows: list[ShelfWords]) -> list[tuple[str, str]]:
    """What the whole list asks for, each with the address of its own list."""
    counts = [
        (sum(row.is_low for row in rows), "item is low,items are low", "?show=low"),
        (sum(row.is_below_zero for row in rows), "shelf to count,shelves to count", "?show=count"),
        (sum(row.shelf.is_recalled for row in rows), "item is recalled,items are recalled", "?show=recalled"),
        (
            sum(any(words.is_dated for words in row.lots) for row in rows),
            f"item has expired or will within {EXPIRES_SOON} days,"
            f"items have expired or will within {EXPIRES_SOON} days",
            f"?within={EXPIRES_SOON}",
        ),
    ]
    return [(counted(number, words), url) for number, words, url in counts if number]


def _only_marked(row: ShelfWords) -> ShelfWords:
    """The row with the lots that have a mark."""
    lots = [lot for lot in row.lots if lot.is_dated]
    return ShelfWords(row.shelf, lots, row.usable, row.is_low, row.to_order, row.kind)


def _cells(rows: list[ShelfWords]) -> Iterator[list[Cell]]:
    for row in rows:
        shelf: Shelf = row.shelf
        item, target = shelf.item, shelf.target
        start: list[Cell] = [
            shelf.location.name, item.name, item.size, item.kind, item.part_code, item.gtin
        ]  # fmt: skip
        end: list[Cell] = [target.low_at, target.order_up_to] if target else [None, None]
        for lot in row.lots:
            yield [*start, lot.lot.lot, lot.lot.expires_on, lot.lot.on_hand, *end, lot.mark]
        if not row.lots:
            yield [*start, "", None, 0, *end, "low" if row.is_low else ""]
