"""A pack that the catalogue does not know: added from the scan that found it out, and dispensed."""

import pytest
from playwright.sync_api import expect

from resupply.models import CatalogueItem, DispenseLine
from tests.builders import make_item
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind
from tests.journeys.test_scan import GTIN, open_form, scan

pytestmark = pytest.mark.browser


def test_an_unknown_pack_is_added_and_then_dispensed(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    page = window(user=cast.user("therapist"))
    field = open_form(page, cast)
    page.get_by_role("group", name="Tubing").get_by_label("Quantity").fill("2")
    scan(field, f"01{GTIN}1727063010A213B1")
    form = page
    with page.expect_popup() as beside:
        page.get_by_role("link", name="Add this item").click()
    page = beside.value
    expect(page.get_by_label("GTIN")).to_have_value(GTIN)
    page.get_by_label("Part and billing code").select_option("A7037")
    expect(page.get_by_label("Magnets")).to_have_value("no")
    expect(page.get_by_role("group", name="Packed with the mask")).to_have_count(0)
    page.get_by_label("Part and billing code").select_option("A7032")
    expect(page.get_by_label("Magnets")).to_have_value("unknown")
    expect(page.get_by_text("fits the wording of A7032, not of A7033")).to_be_visible()
    page.get_by_label("Name").fill("Typed meanwhile")
    page.get_by_label("Part and billing code").select_option("A7034")
    expect(page.get_by_role("group", name="Packed with the mask")).to_be_visible()
    expect(page.get_by_label("Name")).to_have_value("Typed meanwhile")
    page.get_by_label("Name").fill("")
    page.get_by_label("Part and billing code").select_option("A7032")
    expect(page.get_by_role("group", name="Packed with the mask")).to_have_count(0)
    page.get_by_label("Magnets").select_option("no")
    page.get_by_label("Note on the code").fill("It does not enter the nostrils.")
    page.get_by_role("button", name="Add the item").click()
    expect(page.get_by_role("alert")).to_contain_text("Name: Fill this in.")
    expect(page.get_by_label("Note on the code")).to_have_value("It does not enter the nostrils.")
    page.get_by_label("Name").fill("Nasal cradle cushion")
    page.get_by_label("Name").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Added: Nasal cradle cushion.")
    page.close()
    page = form
    expect(page.get_by_role("group", name="Tubing").get_by_label("Quantity")).to_have_value("2")
    field = page.get_by_label("Scan", exact=True)
    field.focus()
    scan(field, f"01{GTIN}1727063010A213B1")
    expect(page.get_by_role("status")).to_contain_text("Added: Nasal cradle cushion, lot A213B1.")
    item = CatalogueItem.objects.get(gtin=GTIN)
    assert (item.part_code, item.kind, item.magnetic) == ("A7032", "cushion", "no")
    assert item.code_note == "It does not enter the nostrils."
    assert not DispenseLine.objects.filter(item=item).exists()


def test_the_desk_is_told_whom_to_ask(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    page = window(user=cast.user("desk"))
    field = open_form(page, cast)
    scan(field, f"01{GTIN}10A213B1")
    expect(page.get_by_role("alert")).to_contain_text(f"no item with the GTIN {GTIN}")
    expect(page.get_by_role("link", name="Add this item")).to_have_count(0)


def test_a_recall_is_recorded_and_stops_its_lot(window: OpenWindow, cast: Cast) -> None:
    """The cushions Odalys got in November are recalled: the page names her, the lot is not scanned out."""
    let_fall_behind(cast)
    item = CatalogueItem.objects.get(name="Nasal cushion", size="M")
    CatalogueItem.objects.filter(pk=item.pk).update(gtin=GTIN)
    make_item(name="Another")
    page = window(user=cast.user("manager"), width=390)
    page.goto("/manager/recalls/")
    page.get_by_role("link", name="Record a recall").click()
    page.get_by_label("Title").fill("Cushions tear")
    page.get_by_label("Source").fill("maker's letter")
    page.get_by_label("Item").select_option(label="Nasal cushion, M")
    page.get_by_label("Lot").fill("l-2291 ")
    page.get_by_role("button", name="Record the recall").click()
    expect(page.get_by_text("1 line, voided ones left out")).to_be_visible()
    page.get_by_role("link", name="Odalys Brandt").click()
    page.get_by_role("link", name="Dispense", exact=True).click()
    scan(page.get_by_label("Scan", exact=True), f"01{GTIN}10L-2291")
    expect(page.get_by_role("alert")).to_contain_text("Cushions tear")
