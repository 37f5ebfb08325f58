"""A dispense by scanner: it types each code with its separators and ends with Enter."""

import pytest
from playwright.sync_api import Locator, Page, expect

from resupply.models import CatalogueItem, DispenseLine
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind, patient_page

pytestmark = pytest.mark.browser

GTIN = "51022222233336"
"""FDA, "UDI formats by FDA-Accredited Issuing Agency", 2017: the number of its example."""


def label() -> None:
    """The cushion that Odalys has carries the number."""
    assert CatalogueItem.objects.filter(name="Nasal cushion", size="M").update(gtin=GTIN) == 1


def scan(field: Locator, *elements: str) -> None:
    """Type like a scanner: a separator is Ctrl+], the end is Enter."""
    for position, element in enumerate(elements):
        if position:
            field.press("Control+]")
        field.press_sequentially(element)
    field.press("Enter")


def open_form(page: Page, cast: Cast) -> Locator:
    page.goto(patient_page(cast.odalys))
    page.get_by_role("link", name="Dispense", exact=True).click()
    field = page.get_by_label("Scan", exact=True)
    field.wait_for()
    page.wait_for_load_state()
    return field


@pytest.mark.parametrize("width", [pytest.param(1280, id="desktop"), pytest.param(390, id="phone")])
def test_two_scans_of_a_part_are_logged_as_two(window: OpenWindow, cast: Cast, width: int) -> None:
    let_fall_behind(cast)
    label()
    page = window(width=width, user=cast.user("desk"))
    field = open_form(page, cast)
    field.focus()
    for times in (1, 2):
        scan(field, f"01{GTIN}1727063010A213B1", "11250630")
        expect(page.get_by_role("status")).to_contain_text(f"lot A213B1. Scanned so far: {times}.")
        expect(field).to_be_focused()
        expect(field).to_have_value("")
    scan(field, f"01{GTIN[:-1]}7")
    expect(page.get_by_role("alert")).to_contain_text("The check digit does not fit")
    expect(field).to_have_value("")
    scan(field, f"01{GTIN}1725010110A213B1")
    expect(page.get_by_role("alert")).to_contain_text(
        "Nasal cushion, M: This part expired on Wed 1 Jan 2025."
    )
    assert not DispenseLine.objects.filter(lot="A213B1").exists()
    for row in page.get_by_role("list", name="Parts").get_by_role("listitem").all():
        if row.get_by_label("Lot", exact=True).input_value() != "A213B1":
            row.get_by_label("Quantity").fill("")
    page.get_by_role("group", name="Cushion").get_by_label("Quantity").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("2 × cushion")
    assert [line.quantity for line in DispenseLine.objects.filter(lot="A213B1")] == [2]


def test_without_script_the_printed_form_is_typed(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    label()
    page = window(user=cast.user("desk"), scripts=False)
    field = open_form(page, cast)
    field.fill(f"(01){GTIN}(17)270630(10)A213B1")
    page.get_by_role("button", name="Add scanned part").click()
    expect(page.get_by_role("status")).to_contain_text("Scanned so far: 1.")
    expect(page.get_by_role("group", name="Cushion").get_by_label("Quantity")).to_have_value("1")
    field.fill(f"(01){GTIN}(17)270630(10)A213B1")
    field.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Scanned so far: 2.")
