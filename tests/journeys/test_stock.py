"""Stock at the desk: parts received by scanner, then a count of the shelf that finds one too few."""

import re

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from resupply.models import CatalogueItem, Location, StockCount, StockLevel, StockMovement
from tests.builders import make_item, make_movement
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.test_scan import GTIN, scan

pytestmark = pytest.mark.browser

LABEL = (f"01{GTIN}1727063010A213B1", "211234")
both_widths = pytest.mark.parametrize("width", [pytest.param(1280, id="desk"), pytest.param(390, id="phone")])


def on_hand(lot: str) -> int:
    return StockLevel.objects.get(lot=lot).on_hand


def receive_three(page: Page) -> None:
    """Three scans, of which the third is another lot; then the button."""
    page.goto("/")
    page.get_by_role("link", name="Stock", exact=True).click()
    page.get_by_role("link", name="Receive parts").first.click()
    field = page.get_by_label("Scan", exact=True)
    expect(field).to_be_focused()
    for times in (1, 2):
        scan(field, *LABEL)
        expect(page.get_by_role("status")).to_contain_text(f"Scanned so far: {times}. Not on the shelf yet.")
        expect(field).to_be_focused()
    scan(field, f"01{GTIN}10B2")
    expect(page.get_by_role("status")).to_contain_text("lot B2. Scanned so far: 1.")
    field.press("Enter")  # some scanners end with two
    expect(page.get_by_role("heading", name="Receive parts")).to_be_visible()
    assert not StockMovement.objects.exists()
    first = page.get_by_role("group", name="Line 1")
    expect(first.get_by_label("Quantity")).to_have_value("2")
    first.get_by_label("Quantity").fill("12")
    page.get_by_role("button", name="Put on the shelf").click()
    expect(page.get_by_role("status")).to_contain_text("Received: 13 units on the shelf of North room.")


def count(page: Page, **lots: str) -> None:
    """Numbers typed beside lots, and Enter."""
    page.get_by_role("link", name="Count", exact=True).click()
    for lot, number in lots.items():
        page.get_by_label(re.compile(f"lot {lot}$")).fill(number)
    page.get_by_label(re.compile(f"lot {lot}$")).press("Enter")


@both_widths
def test_receive_by_scan_then_count_with_a_difference(window: OpenWindow, cast: Cast, width: int) -> None:
    item = make_item(name="Nasal cushion", size="M", gtin=GTIN)
    page = window(width=width, user=cast.user("desk"))
    receive_three(page)
    assert Location.objects.get(pk=cast.north.pk).tracks_stock
    assert not Location.objects.get(pk=cast.south.pk).tracks_stock
    assert (on_hand("A213B1"), on_hand("B2")) == (12, 1)
    count(page, A213B1="11", B2="1")
    differences = page.get_by_role("group", name="Differences")
    expect(differences).to_be_focused()
    expect(differences).to_contain_text("1 line differs. Nothing is recorded yet.")
    expect(differences).to_contain_text(
        "Nasal cushion, M, lot A213B1, expires Wed 30 Jun 2027: 11 counted, 12 expected (−1)"
    )
    assert not StockCount.objects.exists()
    page.get_by_role("button", name="Record the count").click()
    expect(page.get_by_role("status")).to_contain_text("Count of North room recorded: 1 difference.")
    assert on_hand("A213B1") == 11
    page.get_by_role("link", name="Nasal cushion, M").first.click()
    corrected = page.get_by_role("row").filter(has_text="Corrected by a count")
    expect(corrected).to_contain_text("−1")
    corrected.get_by_role("link", name="Void").click()
    page.get_by_label("Reason").fill("found it behind the box")
    page.get_by_role("button", name="Void the movement").click()
    expect(page.get_by_role("status")).to_contain_text("Voided. The shelf is as it was before.")
    assert on_hand("A213B1") == 12
    assert page.url.endswith(reverse("stock:ledger", args=[item.public_id]))


def test_what_is_dispensed_during_a_count_is_counted_again(window: OpenWindow, cast: Cast) -> None:
    item: CatalogueItem = make_item(name="Nasal cushion", size="M", gtin=GTIN)
    for lot, quantity in (("A1", 5), ("B2", 3)):
        make_movement(item, cast.north, lot=lot, quantity=quantity)
    page = window(width=390, user=cast.user("desk"))
    page.goto(reverse("stock:shelves"))
    count(page, A1="5", B2="2")
    expect(page.get_by_role("group", name="Differences")).to_contain_text("1 line differs.")
    make_movement(item, cast.north, lot="A1", quantity=-1, movement="dispensed")
    page.get_by_role("button", name="Record the count").click()
    expect(page.get_by_role("alert")).to_contain_text("Stock moved while you counted.")
    expect(page.get_by_text("4 expected now, 5 on your sheet. Count this line again.")).to_be_visible()
    expect(page.get_by_label(re.compile("lot B2$"))).to_have_value("2")
    assert not StockCount.objects.exists()
    page.get_by_label(re.compile("lot A1$")).fill("4")
    page.get_by_role("button", name="Show differences").click()
    page.get_by_role("button", name="Record the count").click()
    expect(page.get_by_role("status")).to_contain_text("Count of North room recorded: 1 difference.")
    assert (on_hand("A1"), on_hand("B2")) == (4, 2)


def test_without_script_parts_are_received_too(window: OpenWindow, cast: Cast) -> None:
    make_item(name="Nasal cushion", size="M", gtin=GTIN)
    page = window(user=cast.user("desk"), scripts=False)
    page.goto(reverse("stock:receive"))
    page.get_by_label("Scan", exact=True).fill(f"(01){GTIN}(17)270630(10)A213B1")
    page.get_by_role("button", name="Add scanned part").click()
    expect(page.get_by_role("status")).to_contain_text("Scanned so far: 1.")
    page.get_by_role("group", name="Line 1").get_by_label("Quantity").press("Enter")
    assert not StockMovement.objects.exists()
    page.get_by_role("button", name="Put on the shelf").click()
    expect(page.get_by_role("status")).to_contain_text("Received: 1 unit on the shelf of North room.")
