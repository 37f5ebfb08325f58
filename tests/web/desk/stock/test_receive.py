"""Receive parts: scans fill rows and record nothing; what is refused stays."""

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import CatalogueItem, Location, StockMovement
from tests.builders import make_item, make_movement
from tests.cast import Cast
from tests.web.desk.stock.forms import FDA, LABEL, LATER, receipt, shown
from tests.web.pages import text


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
