"""Every page works without JavaScript: find, see why, dispense."""

import pytest
from playwright.sync_api import expect

from resupply.models import Dispense
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind, sign_in

pytestmark = pytest.mark.browser


def test_find_see_why_and_dispense(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    page = window(scripts=False)
    sign_in(page, cast.user("desk"))
    search = page.get_by_role("combobox", name="Find a patient")
    search.fill("Odalys")
    search.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Odalys Brandt")

    line = page.get_by_role("region", name="Supply over time").get_by_role("listitem")
    cushion = line.filter(has=page.get_by_role("img", name="Cushion"))
    cushion.get_by_text("why?").click()
    cushion.get_by_role("link", name="Show the steps").click()
    page.locator("summary").filter(has_text="Days overdue").click()
    expect(page.get_by_text("Days since the supply ended")).to_be_visible()
    page.get_by_role("link", name="Odalys Brandt").click()

    page.get_by_role("link", name="Dispense", exact=True).click()
    page.get_by_role("group", name="Cushion").get_by_label("Quantity").fill("2")
    parts = page.get_by_role("list", name="Parts").get_by_role("listitem")
    rows = parts.count()
    page.get_by_role("button", name="Add a row").click()
    expect(parts).to_have_count(rows + 1)
    expect(page.get_by_role("group", name="Cushion").get_by_label("Quantity")).to_have_value("2")
    parts.last.get_by_role("combobox", name="Part").select_option("Headgear (A7035)")
    parts.last.get_by_label("Quantity").fill("1")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("2 × cushion")
    expect(page.get_by_role("status")).to_contain_text("1 × headgear")
    newest = Dispense.objects.latest("dispensed_on")
    assert [line.kind for line in newest.lines.order_by("kind")] == ["cushion", "headgear", "mask", "tubing"]
