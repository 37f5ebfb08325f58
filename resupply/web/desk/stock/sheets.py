"""A sheet: every lot on the shelves of a location with a number typed beside it. Moving, discarding and
counting are sheets.

What was typed comes back with the lots it was typed for, whatever the shelves hold by then.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.forms import BaseFormSet

from resupply import clock
from resupply.models import CatalogueItem, Location
from resupply.queries import stock
from resupply.queries.recalls import RecallFacts, standing
from resupply.rules.gs1 import Scan
from resupply.web import access
from resupply.web.access import StaffRequest
from resupply.web.desk.stock.forms import MOST_LOTS, LotForm, LotFormSet, LotKey, PlaceForm
from resupply.web.desk.stock.receive import Row, typed_rows
from resupply.web.desk.stock.scans import Found, Said
from resupply.web.desk.stock.words import LotWords, chosen_place, lot_name, lot_words, my_places, signed
from resupply.web.wording import kind_word


@dataclass(slots=True)
class SheetRow:
    """One lot: its form, and what the page says of it. `difference` and `note` are a count's."""

    form: LotForm
    key: LotKey
    item: CatalogueItem
    words: LotWords
    difference: int | None = None
    note: str = ""

    @property
    def change(self) -> str:
        """The difference in words."""
        return "none" if not self.difference else signed(self.difference)

    @property
    def kind(self) -> str:
        """The kind of part, in words."""
        return kind_word(self.item.kind)

    @property
    def label(self) -> str:
        """The item and its lot in one line, for those who hear the page."""
        return ", ".join(part for part in (str(self.item), self.key.lot and f"lot {self.key.lot}") if part)


@dataclass(slots=True)
class Sheet:
    """The sheet of one location. `is_cut`: there are more lots than it shows."""

    place: Location
    places: list[Location]
    today: date
    filters: PlaceForm
    formset: "BaseFormSet[LotForm]"
    rows: list[SheetRow]
    is_cut: bool = False

    @property
    def wanted(self) -> list[SheetRow]:
        """The rows with a number; once validated."""
        return [row for row in self.rows if row.form.is_wanted]

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        return self.formset.is_bound and not self.formset.is_valid()


def fresh_sheet(request: StaffRequest, *, least: int | None = None) -> Sheet:
    """The lots on the shelves now; with `least` only those that hold at least as many."""
    _, place, kind, _ = _asked(request)
    levels = stock.sheet(place.pk, kind=kind, at_most=MOST_LOTS + 1)
    kept = [level for level in levels if least is None or level.on_hand >= least]
    keys = [LotKey(level.item_id, level.expires_on, level.on_hand, level.lot) for level in kept[:MOST_LOTS]]
    rows = [{"key": str(key), "number": ""} for key in keys]
    sheet = drawn_sheet(request, rows, {level.item_id: level.item for level in levels})
    sheet.is_cut = len(levels) > MOST_LOTS
    return sheet


def typed_sheet(request: StaffRequest) -> list[Row]:
    """The rows as sent."""
    rows = typed_rows(request, "lots", ["key", "number"], MOST_LOTS)
    return [row for row in rows if _key(row) is not None]


def drawn_sheet(
    request: StaffRequest, rows: list[Row], items: Mapping[int, CatalogueItem] | None = None
) -> Sheet:
    """A sheet that shows these rows, nothing checked."""
    return _sheet(request, LotFormSet(initial=rows, prefix="lots"), items)


def sent_sheet(request: StaffRequest) -> Sheet:
    """The sheet as it was sent, to be validated."""
    return _sheet(request, LotFormSet(request.POST, prefix="lots"), None)


def count_up(rows: list[Row], found: Found, *, today: date) -> Said | None:
    """Count a scanned part into its row; None where the sheet has no row of that lot."""
    item, scan = found.item, found.scan
    fitting = [row for row in rows if _is_lot(row, item.pk, scan)]
    if not fitting:
        return None
    if len(fitting) > 1:
        told = f"There are several lots of {item}. Type the number beside the lot that you have."
        return found.said(problem=told)
    number = fitting[0]["number"].strip()
    count = int(number) + 1 if number.isdecimal() and len(number) < 5 else 1
    fitting[0]["number"] = str(count)
    lot = lot_name(scan.lot, scan.expires_on, today=today)
    return found.said(done=f"{item}, {lot}: {count} so far. Nothing is recorded yet.")


def _sheet(
    request: StaffRequest, formset: "BaseFormSet[LotForm]", items: Mapping[int, CatalogueItem] | None
) -> Sheet:
    places, place, _, today = _asked(request)
    keys = [_key({"key": str(form["key"].value() or "")}) for form in formset]
    recalls = standing()
    known = (
        items if items is not None else CatalogueItem.objects.in_bulk({key.item_id for key in keys if key})
    )
    rows = [
        SheetRow(form, key, known[key.item_id], _words(key, known[key.item_id], recalls, today))
        for form, key in zip(formset, keys, strict=True)
        if key is not None and key.item_id in known
    ]
    for row in rows:
        row.form.fields["number"].widget.attrs["aria-label"] = row.label
    query = {"location": place.pk, "kind": request.GET.get("kind", "")}
    filters = PlaceForm(initial=query, locations=access.locations(request))
    return Sheet(place, places, today, filters, formset, rows)


def _asked(request: StaffRequest) -> tuple[list[Location], Location, str, date]:
    """The location and the kind of part that the address asks for, and the day it is there."""
    places = my_places(request)
    place = chosen_place(request, places)
    form = PlaceForm(request.GET, locations=access.locations(request))
    form.is_valid()
    return places, place, form.cleaned_data.get("kind") or "", clock.today(place.time_zone)


def _words(key: LotKey, item: CatalogueItem, recalls: Sequence[RecallFacts], today: date) -> LotWords:
    recall = stock.recall_of(recalls, item, key.lot)
    return lot_words(stock.Lot(key.lot, key.expires_on, key.expected, recall), today=today)


def _key(row: Row) -> LotKey | None:
    try:
        return LotKey.read(row["key"])
    except ValueError:
        return None


def _is_lot(row: Row, item_id: int, scan: Scan) -> bool:
    """Whether a row is about the lot that a label names; what the label leaves open fits any."""
    key = _key(row)
    return (
        key is not None
        and key.item_id == item_id
        and (not scan.lot or key.lot.casefold() == scan.lot.casefold())
        and (scan.expires_on is None or key.expires_on == scan.expires_on)
    )


def asked_lines(rows: Sequence[SheetRow]) -> list[dict[str, Any]]:
    """The rows as the services take them, with the number as quantity."""
    return [
        {
            "item": row.item,
            "lot": row.key.lot,
            "expires_on": row.key.expires_on,
            "quantity": row.form.cleaned_data["number"],
        }
        for row in rows
    ]
