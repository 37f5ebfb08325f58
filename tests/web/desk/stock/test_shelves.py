"""The shelves: what they show, filters, other rooms, the file, and what a page costs."""

import csv

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import CatalogueItem, Location, StockTarget
from tests.builders import make_back_order, make_item, make_movement, make_recall
from tests.cast import Cast
from tests.web.desk.stock.forms import GONE, LABEL, LATER, SOON, receipt
from tests.web.pages import text


def test_a_shelf_shows_its_lots_and_what_to_do(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    for lot, expires_on, quantity in [("B", LATER, 5), ("A", SOON, 2), ("X", GONE, 1)]:
        make_movement(cushion, north, lot=lot, expires_on=expires_on, quantity=quantity)
    make_movement(cushion, north, lot="Z", quantity=-1, movement="dispensed")
    StockTarget.objects.create(location=north, item=cushion, low_at=6, order_up_to=20)
    page = text(ines.get(reverse("stock:shelves")))
    assert (
        "Nasal cushion, M Cushion · A7032 North room 6 low 1 X · expires Tue 17 Mar expired "
        "2 A · expires Tue 7 Apr expires in 20 days 5 B · expires Wed 30 Jun 2027 −1 Z count this shelf "
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
