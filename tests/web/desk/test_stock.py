"""Pages of stock: lists, scans that record nothing, sheets that keep what is typed, differences first."""

import csv
import re
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import (
    BackOrder,
    CatalogueItem,
    Location,
    StockCount,
    StockLevel,
    StockMovement,
    StockTarget,
)
from resupply.web.desk.stock.forms import LotKey
from tests.builders import NOW, TODAY, make_back_order, make_item, make_movement, make_recall
from tests.cast import Cast

FDA = "51022222233336"
"""GTIN of the example in FDA, "UDI formats by FDA-Accredited Issuing Agency", v1.3, 2017-01-27."""

LABEL = f"01{FDA}1727063010A213B1"
LATER, SOON, GONE = date(2027, 6, 30), TODAY + timedelta(days=20), TODAY - timedelta(days=1)


@pytest.fixture(autouse=True)
def _today() -> Any:
    """It is 2026-03-18, 15:00 UTC: morning in both rooms."""
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ines(cast: Cast, client: Client) -> Client:
    """Ines at the desk of the North room, signed in."""
    client.force_login(cast.desk.user)
    return client


@pytest.fixture
def marta(cast: Cast, client: Client) -> Client:
    """The manager, signed in."""
    client.force_login(cast.manager.user)
    return client


@pytest.fixture
def cushion(db: None) -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M", gtin=FDA)


@pytest.fixture
def north(cast: Cast) -> Location:
    Location.objects.update(tracks_stock=True)
    cast.north.refresh_from_db()
    return cast.north


def text(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def on_hand(item: CatalogueItem, lot: str) -> int:
    return StockLevel.objects.get(item=item, lot=lot).on_hand


# --- shelves --------------------------------------------------------------------------------------


def test_a_shelf_shows_its_lots_and_what_to_do(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    for lot, expires_on, quantity in [("B", LATER, 5), ("A", SOON, 2), ("X", GONE, 1)]:
        make_movement(cushion, north, lot=lot, expires_on=expires_on, quantity=quantity)
    make_movement(cushion, north, lot="Z", quantity=-1, movement="dispensed")
    StockTarget.objects.create(location=north, item=cushion, low_at=6, order_up_to=20)
    page = text(ines.get(reverse("stock:shelves")))
    assert (
        "Nasal cushion, M Cushion · A7032 North room 6 low 1 X · expires Tue 17 Mar expired "
        "2 A · expires Tue 7 Apr expires in 20 days 5 B · expires Wed 30 Jun 2027 -1 Z count this shelf "
        "low from 6, up to 20" in page
    )
    assert "1 item is low 1 shelf to count 1 item has expired or will within 60 days" in page
    assert "Nasal cushion, M Cushion · A7032 North room 6 6 20 14" in text(
        ines.get(reverse("stock:to_order"))
    )


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({}, ["Few", "Low", "Old", "Short"]),
        ({"kind": "mask"}, ["Few"]),
        ({"show": "low"}, ["Low"]),
        ({"show": "count"}, ["Short"]),
        ({"within": "20"}, ["Old"]),
        ({"within": "19"}, []),
        ({"order": "expiry", "kind": "cushion"}, ["Old", "Low", "Short"]),
        ({"order": "few"}, ["Short", "Few", "Low", "Old"]),
        ({"within": "many"}, ["Few", "Low", "Old", "Short"]),
    ],
)
def test_filters(north: Location, ines: Client, query: dict[str, str], expected: list[str]) -> None:
    few = make_item(name="Few", kind="mask", part_code="A7034")
    low, old, short = (make_item(name=name) for name in ("Low", "Old", "Short"))
    make_movement(few, north, quantity=1)
    make_movement(low, north, quantity=2)
    make_movement(old, north, quantity=9, expires_on=SOON)
    make_movement(short, north, quantity=-1, movement="dispensed")
    StockTarget.objects.create(location=north, item=low, low_at=2, order_up_to=9)
    answer = ines.get(reverse("stock:shelves"), query)
    assert [row.shelf.item.name for row in answer.context["rows"]] == expected


def test_a_recalled_lot_is_marked_and_told_when_received(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    make_movement(cushion, north, lot="A213B1")
    make_recall(item=cushion, lot="A213B1", title="Clips may crack")
    page = text(ines.get(reverse("stock:shelves"), {"show": "recalled"}))
    assert "Nasal cushion, M Cushion · A7032 North room 0 10 A213B1 recalled" in page
    assert "A213B1 not named recalled" in text(ines.get(reverse("stock:discard")))
    told = text(ines.post(reverse("stock:receive"), receipt(north, scan=LABEL)))
    assert "A recall names this part: “Clips may crack”. Keep it apart" in told


def test_another_rooms_shelves_are_not_shown(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    movement = make_movement(cushion, cast.south, lot="SOUTH-1")
    for name in ("stock:shelves", "stock:to_order", "stock:csv"):
        assert "SOUTH-1" not in b"".join(ines.get(reverse(name))).decode()
    assert "SOUTH-1" not in text(ines.get(reverse("stock:ledger", args=[cushion.public_id])))
    assert ines.get(reverse("stock:movement_void", args=[movement.public_id])).status_code == 404
    for name in ("stock:move", "stock:discard", "stock:count"):
        answer = ines.get(reverse(name), {"location": cast.south.pk})
        assert "SOUTH-1" not in text(answer)


def test_the_file_guards_against_formulas(north: Location, ines: Client) -> None:
    item = make_item(name="=1+1", size="M")
    make_movement(item, north, lot="@cmd", expires_on=LATER, quantity=3)
    answer = ines.get(reverse("stock:csv"))
    rows = list(csv.DictReader(b"".join(answer).decode().splitlines()))
    assert answer["Content-Disposition"] == 'attachment; filename="stock-2026-03-18.csv"'
    assert rows == [
        {
            "location": "North room", "item": "'=1+1", "size": "M", "kind": "cushion", "part_code": "A7032",
            "gtin": "", "lot": "'@cmd", "expires_on": "2027-06-30", "on_hand": "3", "low_at": "",
            "order_up_to": "", "mark": "",
        }
    ]  # fmt: skip


LISTS = ["shelves", "csv", "receive", "move", "discard", "count", "to_order", "settings", "back_orders"]


@pytest.mark.parametrize("name", LISTS)
def test_a_page_costs_the_same_for_one_and_for_thirty(
    cast: Cast, north: Location, marta: Client, name: str
) -> None:
    def cost() -> int:
        with CaptureQueriesContext(
            connection,
        ) as queries:
            b"".join(marta.get(reverse(f"stock:{name}")))
        return len(queries)

    def add() -> None:
        item = make_item(gtin="")
        make_movement(item, north, lot="A", expires_on=SOON)
        make_movement(item, cast.south, lot="B")
        StockTarget.objects.create(location=north, item=item, low_at=20, order_up_to=40)
        make_back_order(cast.odalys, item=item)

    add()
    one = cost()
    for _ in range(29):
        add()
    assert cost() == one
    assert one <= 12


def test_a_ledger_costs_the_same_for_one_and_for_thirty(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    def cost() -> int:
        with CaptureQueriesContext(connection) as queries:
            ines.get(reverse("stock:ledger", args=[cushion.public_id]))
        return len(queries)

    make_movement(cushion, north)
    one = cost()
    for number in range(60):
        make_movement(cushion, north, lot=f"L{number}")
    assert cost() == one
    older = ines.get(reverse("stock:ledger", args=[cushion.public_id])).context["older_url"]
    page = ines.get(reverse("stock:ledger", args=[cushion.public_id]) + older)
    assert len(page.context["rows"]) == 11


# --- receive --------------------------------------------------------------------------------------


def receipt(place: Location, *rows: dict[str, object], **over: object) -> dict[str, object]:
    """What the form sends: by the scanner's Enter, unless `post` is in `over`."""
    data: dict[str, object] = {
        "location": place.pk,
        "received_on": "2026-03-18",
        "note": "",
        "form_key": str(uuid4()),
        "rows-TOTAL_FORMS": len(rows),
        "rows-INITIAL_FORMS": 0,
        "scan": "",
    }
    for position, row in enumerate(rows):
        data |= {f"rows-{position}-{name}": value for name, value in row.items()}
    return data | over


def shown(answer: Any) -> list[dict[str, Any]]:
    """The rows of the form that comes back, those that say something."""
    rows = [{name: form[name].value() or "" for name in form.fields} for form in answer.context["rows"]]
    return [row for row in rows if any(row.values())]


def test_scans_fill_rows_and_count_up_and_record_nothing(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    address = reverse("stock:receive")
    first = ines.post(address, receipt(north, scan=LABEL))
    (row,) = shown(first)
    assert row == {
        "item": str(cushion.pk), "lot": "A213B1", "expires_on": "2027-06-30", "quantity": "1", "scanned": "1",
    }  # fmt: skip
    (again,) = shown(ines.post(address, receipt(north, row, scan=f"(01){FDA}(17)270630(10)A213B1")))
    assert again["quantity"] == "2"
    other = shown(ines.post(address, receipt(north, again, scan=f"01{FDA}10B2")))
    assert [(found["lot"], found["quantity"]) for found in other] == [("A213B1", "2"), ("B2", "1")]
    assert not StockMovement.objects.exists()


def test_enter_never_posts_even_with_the_button_named(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    row = {"item": cushion.pk, "lot": "A", "quantity": 3}
    for over in ({"add_scan": "1"}, {"post": "1", "scan": LABEL}):
        assert ines.post(reverse("stock:receive"), receipt(north, row, **over)).status_code == 200
    assert not StockMovement.objects.exists()


def test_what_is_typed_is_received(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    rows = [
        {"item": cushion.pk, "lot": "A1", "expires_on": "2027-06-30", "quantity": 12},
        {"item": "", "lot": "", "expires_on": "", "quantity": ""},
    ]
    answer = ines.post(reverse("stock:receive"), receipt(north, *rows, post="1", note="delivery 17"))
    assert answer["Location"] == f"{reverse('stock:shelves')}?location={north.pk}"
    movement = StockMovement.objects.get()
    assert (movement.quantity, movement.lot, movement.expires_on, movement.note) == (
        12,
        "A1",
        LATER,
        "delivery 17",
    )
    assert movement.recorded_by is not None
    assert "Received: 12 units on the shelf of North room." in text(ines.get(answer["Location"]))


@pytest.mark.parametrize(
    ("scan", "told"),
    [
        (f"01{FDA[:-1]}7", "The check digit does not fit"),
        ("hello", "This is no code of a part"),
        (f"01{FDA}17250101", "expired on Wed 1 Jan 2025: do not put it on the shelf"),
        ("0106291041500213", "No item of the catalogue has this GTIN 06291041500213."),
        ("10A213B1", "This code holds no item number"),
        ("+A123BJC5D6E71G", "No item of the catalogue has this HIBC code."),
    ],
)
def test_a_scan_that_may_not_be_counted(
    north: Location, ines: Client, cushion: CatalogueItem, scan: str, told: str
) -> None:
    row = {"item": cushion.pk, "lot": "KEPT", "quantity": 3}
    answer = ines.post(reverse("stock:receive"), receipt(north, row, scan=scan))
    assert answer.status_code == 422
    assert told in text(answer)
    assert [found["lot"] for found in shown(answer)] == ["KEPT"]


def test_an_unknown_number_offers_to_add_the_item_to_those_who_may(cast: Cast, north: Location) -> None:
    for who, may_add in [("manager", True), ("desk", False)]:
        client = Client()
        client.force_login(cast.user(who))
        page = client.post(reverse("stock:receive"), receipt(north, scan="0106291041500213")).content.decode()
        query = "gtin=06291041500213&amp;hibc=&amp;next=%2Fdesk%2Fstock%2Freceive%2F"
        address = f"{reverse('manager:item_new')}?{query}"
        assert (address in page) is may_add
        assert ("Whoever keeps the catalogue can add it" in page) is not may_add


def test_an_hibc_code_finds_its_item(north: Location, ines: Client) -> None:
    """The primary code of ANSI/HIBC 2.4's example."""
    item = make_item(hibc="A123BJC5D6E7")
    (row,) = shown(ines.post(reverse("stock:receive"), receipt(north, scan="+A123BJC5D6E71G")))
    assert row["item"] == str(item.pk)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ({"quantity": "0"}, "Enter a number from 1 to 5000."),
        ({"quantity": "many"}, "Enter a whole number."),
        ({"quantity": ""}, "Enter how many, or choose no item."),
        ({"item": ""}, "Choose the item."),
        ({"expires_on": "2026-03-17"}, "This part expired on Tue 17 Mar 2026."),
    ],
)
def test_refused_input_stays(
    north: Location, ines: Client, cushion: CatalogueItem, row: dict[str, str], told: str
) -> None:
    good = {"item": cushion.pk, "lot": "G", "quantity": 1}
    bad = {"item": str(cushion.pk), "lot": "A1", "quantity": "3"} | row
    answer = ines.post(reverse("stock:receive"), receipt(north, good, bad, post="1", note="kept"))
    assert answer.status_code == 422
    assert told in text(answer)
    assert [found["lot"] for found in shown(answer)] == ["G", "A1"]
    assert answer.context["form"]["note"].value() == "kept"
    assert not StockMovement.objects.exists()


def test_the_page_says_that_the_first_receive_switches_tracking_on(cast: Cast, ines: Client) -> None:
    assert "North room does not track stock yet." in text(ines.get(reverse("stock:receive")))
    make_movement(make_item(), cast.north)
    assert "North room has switched stock off" in text(ines.get(reverse("stock:receive")))


# --- move, discard ----------------------------------------------------------------------------------


def sheet(*rows: tuple[StockLevel, object], **over: object) -> dict[str, object]:
    """What a sheet of these levels sends, with numbers beside them."""
    data: dict[str, object] = {"lots-TOTAL_FORMS": len(rows), "lots-INITIAL_FORMS": 0, "scan": ""}
    for position, (level, number) in enumerate(rows):
        key = LotKey(level.item_id, level.expires_on, level.on_hand, level.lot)
        data |= {f"lots-{position}-key": str(key), f"lots-{position}-number": number}
    return data | {"form_key": str(uuid4())} | over


def level_of(item: CatalogueItem, place: Location, lot: str, quantity: int = 5, **over: Any) -> StockLevel:
    make_movement(item, place, lot=lot, quantity=quantity, **over)
    return StockLevel.objects.get(item=item, location=place, lot=lot)


def test_parts_move_to_another_room(
    cast: Cast, north: Location, marta: Client, cushion: CatalogueItem
) -> None:
    level = level_of(cushion, north, "A:1")  # a colon within the lot
    address = f"{reverse('stock:move')}?location={north.pk}"
    data = sheet((level, 2), target=cast.south.pk, moved_on="2026-03-18", note="", post="1")
    answer = marta.post(address, data)
    assert answer["Location"] == f"{reverse('stock:shelves')}?location={north.pk}"
    assert dict(StockLevel.objects.values_list("location__name", "on_hand")) == {
        "North room": 3,
        "South room": 2,
    }
    marta.post(address, data)  # the button pressed twice
    assert StockMovement.objects.filter(movement="moved").count() == 2


def test_too_many_to_move_are_refused_at_their_line(
    cast: Cast, north: Location, marta: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 1)
    data = sheet((first, 2), (second, 3), target=cast.south.pk, moved_on="2026-03-18", note="kept", post="1")
    answer = marta.post(f"{reverse('stock:move')}?location={north.pk}", data)
    assert answer.status_code == 422
    assert "Only 1 of these is on the shelf" in text(answer)
    assert [row.form["number"].value() for row in answer.context["sheet"].rows] == ["2", "3"]
    assert not StockMovement.objects.filter(movement="moved").exists()


def test_one_room_has_nowhere_to_move_to(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    """Ines works in the North room only."""
    level_of(cushion, north, "A")
    assert "There is no other location to move parts to." in text(ines.get(reverse("stock:move")))


def test_a_scan_counts_into_its_lot_of_the_sheet(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    levels = [level_of(cushion, north, "A213B1", expires_on=LATER), level_of(cushion, north, "B2")]
    address = reverse("stock:discard")

    def numbers(scan: str, *typed: object) -> list[object]:
        answer = ines.post(address, sheet(*zip(levels, typed, strict=True), scan=scan))
        return [row.form["number"].value() for row in answer.context["sheet"].rows]

    assert numbers(LABEL, "", "4") == ["1", "4"]
    assert numbers(LABEL, "1", "") == ["2", ""]
    assert numbers(f"01{FDA}10b2", "", "") == ["", "1"]
    assert numbers(f"01{FDA}", "", "7") == ["", "7"]  # which lot, the code does not say
    answer = ines.post(address, sheet((levels[0], ""), scan=f"01{FDA}10C9"))
    assert "Nasal cushion, M of this lot is not on this sheet" in text(answer)
    assert not StockMovement.objects.filter(movement="discarded").exists()


def test_discarding_says_why(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    level = level_of(cushion, north, "X", expires_on=GONE)
    address = reverse("stock:discard")
    page = text(ines.get(address))
    assert "as their instructions and local codes say" in page
    answer = ines.post(address, sheet((level, 5), reason="", discarded_on="2026-03-18", post="1"))
    assert (answer.status_code, "Say why: the reason stays on record." in text(answer)) == (422, True)
    ines.post(address, sheet((level, 5), reason="expired", discarded_on="2026-03-18", post="1"))
    assert on_hand(cushion, "X") == 0
    assert "expired" in text(ines.get(reverse("stock:ledger", args=[cushion.public_id])))


# --- count --------------------------------------------------------------------------------------------


def count_data(
    *rows: tuple[StockLevel, object], found: list[dict[str, object]] | None = None, **over: object
) -> Any:
    data = sheet(*rows, counted_on="2026-03-18", note="", shown="")
    lots = found or []
    data |= {"found-TOTAL_FORMS": len(lots), "found-INITIAL_FORMS": 0}
    for position, row in enumerate(lots):
        data |= {f"found-{position}-{name}": value for name, value in row.items()}
    return data | over


def test_differences_are_shown_before_they_are_recorded(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 3)
    address = reverse("stock:count")
    found: list[dict[str, object]] = [{"item": cushion.pk, "lot": "NEW", "expires_on": "", "quantity": 2}]
    data = count_data((first, 4), (second, 3), found=found)
    too_early = ines.post(address, data | {"record": "1"})
    assert "2 lines differ. Nothing is recorded yet." in text(too_early)
    look = ines.post(address, data | {"check": "1"})
    assert look.status_code == 200
    assert "Nasal cushion, M, lot A: 4 counted, 5 expected (−1)" in text(look)
    assert "Nasal cushion, M, lot NEW: 2 counted, 0 expected (+2)" in text(look)
    assert not StockCount.objects.exists()
    shown_mark = look.context["form"]["shown"].value()
    changed = count_data((first, 1), (second, 3), found=found) | {"record": "1", "shown": shown_mark}
    assert "1 counted, 5 expected" in text(ines.post(address, changed))
    assert not StockCount.objects.exists()
    done = ines.post(address, data | {"record": "1", "shown": shown_mark, "note": "Friday"})
    assert done.status_code == 302
    assert (on_hand(cushion, "A"), on_hand(cushion, "B"), on_hand(cushion, "NEW")) == (4, 3, 2)
    assert StockCount.objects.get().note == "Friday"
    assert "Count of North room recorded: 2 differences." in text(ines.get(done["Location"]))


def test_what_moved_is_flagged_and_everything_typed_stays(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 3)
    address = reverse("stock:count")
    found: list[dict[str, object]] = [
        {"item": cushion.pk, "lot": "C", "expires_on": "", "quantity": 1},
        {"item": cushion.pk, "lot": "D", "expires_on": "", "quantity": 6},
    ]
    data = count_data((first, 4), (second, 2), found=found, note="kept")
    mark = ines.post(address, data | {"check": "1"}).context["form"]["shown"].value()
    make_movement(cushion, north, lot="A", quantity=-1, movement="dispensed")
    make_movement(cushion, north, lot="C", quantity=4)
    answer = ines.post(address, data | {"record": "1", "shown": mark})
    assert answer.status_code == 422
    rows = answer.context["sheet"].rows
    assert [(row.key.lot, row.key.expected, row.form["number"].value(), bool(row.note)) for row in rows] == [
        ("A", 4, "4", True), ("B", 3, "2", False), ("C", 4, "1", True),
    ]  # fmt: skip
    assert (
        "Stock moved here while you counted: 4 expected now, 5 on your sheet. Count this line again."
        in text(answer)
    )
    kept = [form["lot"].value() for form in answer.context["found"] if form["lot"].value()]
    assert (kept, answer.context["form"]["note"].value()) == (["D"], "kept")
    assert not StockCount.objects.exists()
    again = {
        f"lots-{place}-{name}": row.form[name].value()
        for place, row in enumerate(rows)
        for name in ("key", "number")
    }
    data |= again | {"lots-TOTAL_FORMS": 3, "found-TOTAL_FORMS": 1, "found-0-lot": "D", "found-0-quantity": 6}
    mark = ines.post(address, data | {"check": "1"}).context["form"]["shown"].value()
    assert ines.post(address, data | {"record": "1", "shown": mark}).status_code == 302
    assert [on_hand(cushion, lot) for lot in "ABCD"] == [4, 2, 1, 6]


@pytest.mark.parametrize("number", ["-1", "many", "5001"])
def test_a_number_that_is_none_is_refused_at_its_line(
    north: Location, ines: Client, cushion: CatalogueItem, number: str
) -> None:
    rows = (level_of(cushion, north, "A"), number), (level_of(cushion, north, "B"), "2")
    look = ines.post(reverse("stock:count"), count_data(*rows) | {"check": "1"})
    assert [row.form["number"].value() for row in look.context["sheet"].rows] == [number, "2"]
    assert not StockCount.objects.exists()
    assert look.status_code == 422


def test_an_empty_count_is_refused_and_a_count_without_differences_is_recorded(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    level, address = level_of(cushion, north, "A"), reverse("stock:count")
    assert "Enter a number for at least one part." in text(
        ines.post(address, count_data((level, "")) | {"check": "1"})
    )
    look = ines.post(address, count_data((level, 5)) | {"check": "1"})
    assert "Everything counted is as expected." in text(look)
    mark = look.context["form"]["shown"].value()
    ines.post(address, count_data((level, 5)) | {"record": "1", "shown": mark})
    assert StockCount.objects.get().movements.count() == 0


def test_scans_count_a_sheet_and_what_is_not_on_it(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    level = level_of(cushion, north, "B2")
    answer = ines.post(reverse("stock:count"), count_data((level, "1"), scan=f"01{FDA}10B2"))
    assert answer.context["sheet"].rows[0].form["number"].value() == "2"
    answer = ines.post(reverse("stock:count"), count_data((level, "1"), scan=LABEL))
    assert "is not on the sheet: added below" in text(answer)
    first = next(iter(answer.context["found"]))
    assert (first["lot"].value(), first["quantity"].value()) == ("A213B1", "1")


# --- ledger, targets, back orders ------------------------------------------------------------------------


def test_a_movement_is_voided_with_a_reason(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    movement = make_movement(cushion, north, quantity=30)
    address = reverse("stock:movement_void", args=[movement.public_id])
    assert "Void: received, +30" in text(ines.get(address))
    assert ines.post(address, {"reason": ""}).status_code == 422
    ines.post(address, {"reason": "it was 3"})
    assert on_hand(cushion, "L1") == 0
    ledger = text(ines.get(reverse("stock:ledger", args=[cushion.public_id])))
    assert "by ines: it was 3" in ledger
    assert "already" in text(ines.post(address, {"reason": "again"}))


def test_targets_are_for_leads(cast: Cast, north: Location, marta: Client, cushion: CatalogueItem) -> None:
    other = make_item(name="Other")
    address = f"{reverse('stock:settings')}?location={north.pk}"
    data: dict[str, object] = {"targets-TOTAL_FORMS": 2, "targets-INITIAL_FORMS": 0}
    for place, (item, low_at, up_to) in enumerate([(cushion, 2, 12), (other, "", "")]):
        data |= {
            f"targets-{place}-item": item.pk,
            f"targets-{place}-low_at": low_at,
            f"targets-{place}-order_up_to": up_to,
        }
    assert marta.post(address, data).status_code == 302
    assert StockTarget.objects.values_list("item__name", "low_at", "order_up_to").get() == (
        "Nasal cushion",
        2,
        12,
    )
    bad = marta.post(address, data | {"targets-1-low_at": 5, "targets-1-order_up_to": 5})
    assert (bad.status_code, "Order up to more than the number" in text(bad)) == (422, True)
    assert bad.content.decode().count('value="5"') == 2
    client = Client()
    client.force_login(cast.desk.user)
    assert client.post(address, data).status_code == 403


def test_the_switch_is_for_leads(cast: Cast, north: Location, marta: Client) -> None:
    address = f"{reverse('stock:settings')}?location={north.pk}"
    marta.post(address, {"track": "off"})
    assert not Location.objects.get(pk=north.pk).tracks_stock
    assert Location.objects.get(pk=cast.south.pk).tracks_stock
    marta.post(address, {"track": "on"})
    assert Location.objects.get(pk=north.pk).tracks_stock


def test_a_back_order_from_first_to_last(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    new = reverse("stock:back_order_new", args=[cast.odalys.public_id])
    data = {
        "part": f"item:{cushion.pk}", "quantity": 2, "location": cast.north.pk, "expected_on": "2026-03-25",
        "note": "will collect",
    }  # fmt: skip
    past = ines.post(new, data | {"expected_on": "2026-03-17"})
    assert (past.status_code, "has passed" in text(past)) == (422, True)
    ines.post(new, data)
    order = BackOrder.objects.get()
    assert (order.kind, order.part_code, order.quantity, order.expected_on) == (
        "cushion",
        "A7032",
        2,
        date(2026, 3, 25),
    )
    assert "There is an open back order of this part already." in text(ines.post(new, data))
    listed = text(ines.get(reverse("stock:back_orders")))
    assert (
        "Odalys Brandt born 4 Feb 1961 · ref 1047 Nasal cushion, M Cushion 2 North room Wed 18 Mar Wed 25 Mar"
        in listed
    )
    ines.post(reverse("stock:back_order", args=[order.public_id]), {"expected_on": ""})
    order.refresh_from_db()
    assert order.expected_on is None
    ines.post(reverse("stock:back_order_void", args=[order.public_id]), {"reason": "not wanted"})
    assert "Nobody waits for parts." in text(ines.get(reverse("stock:back_orders")))
    closed = ines.post(reverse("stock:back_order", args=[order.public_id]), {"expected_on": "2026-04-01"})
    assert "not open any more" in text(closed)
