"""What cannot be is refused with a message that says what to do; nothing typed is lost, nothing written."""

import pytest
from playwright.sync_api import Locator, Page, expect

from resupply.models import Dispense, Event, PlanLine
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind, patient_page

pytestmark = pytest.mark.browser


@pytest.fixture
def page(window: OpenWindow, cast: Cast) -> Page:
    """Ines at the page of Odalys, who has three lines on record."""
    let_fall_behind(cast)
    page = window(user=cast.user("desk"))
    page.goto(patient_page(cast.odalys))
    return page


def on_record() -> list[object]:
    """Everything a refused form could have written."""
    return [
        list(Dispense.objects.order_by("pk").values()),
        list(Event.objects.order_by("pk").values()),
        list(PlanLine.objects.order_by("pk").values()),
    ]


def cushion(page: Page) -> Locator:
    return page.get_by_role("group", name="Cushion")


def type_a_dispense(page: Page, *, quantity: str) -> None:
    page.get_by_role("link", name="Dispense", exact=True).click()
    cushion(page).get_by_label("Quantity").fill(quantity)
    cushion(page).get_by_label("Lot", exact=True).fill("L-3300")


def expect_refusal(page: Page, message: str) -> None:
    """The summary has the focus, so that keyboard and screen reader start there, and says what to mend."""
    summary = page.get_by_role("alert")
    expect(summary).to_contain_text("Nothing has been saved")
    expect(summary).to_contain_text(message)
    expect(summary).to_be_focused()


def test_a_dispense_in_the_future(page: Page) -> None:
    before = on_record()
    type_a_dispense(page, quantity="2")
    page.get_by_label("Dispensed on").fill("2026-03-20")
    page.get_by_label("Given", exact=True).select_option("Shipped")
    page.get_by_label("Tracking id").fill("1Z 999")
    page.get_by_label("Shipped to").fill("12 Cedar Way")
    page.get_by_role("button", name="Log the dispense").click()
    expect_refusal(page, "Dispensed on: Fri 20 Mar 2026 has not come yet. Enter the day it happened.")
    expect(page.get_by_label("Dispensed on")).to_have_value("2026-03-20")
    expect(page.get_by_label("Tracking id")).to_have_value("1Z 999")
    expect(cushion(page).get_by_label("Quantity")).to_have_value("2")
    expect(cushion(page).get_by_label("Lot", exact=True)).to_have_value("L-3300")
    assert on_record() == before


def test_more_than_the_limit_without_a_reason_and_then_with_one(page: Page) -> None:
    """The payer allows two a month, three months' worth at once (the cast's Payer B)."""
    before = on_record()
    type_a_dispense(page, quantity="7")
    page.get_by_role("button", name="Log the dispense").click()
    expect_refusal(page, "At most 6 of these may be dispensed on that day. To give more, type the reason")
    expect(cushion(page).get_by_label("Quantity")).to_have_value("7")
    expect(cushion(page).get_by_label("Lot", exact=True)).to_have_value("L-3300")
    assert on_record() == before
    page.get_by_role("link", name="Cushion, reason for an exception").click()
    reason = cushion(page).get_by_label("Reason for an exception")
    expect(reason).to_be_focused()
    reason.fill("Away for half a year")
    cushion(page).get_by_label("Written notice", exact=True).select_option("No notice is owed")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("7 × cushion")
    assert Dispense.objects.filter(patient__reference="1047").count() == 2


def test_a_swap_without_a_spare_and_then_kept_anyway(page: Page) -> None:
    before = on_record()
    page.get_by_role("link", name="Log a swap").click()
    page.get_by_label("Part").select_option("Tubing")
    page.get_by_label("Day").fill("2026-03-10")
    page.get_by_role("button", name="Log the swap").click()
    expect_refusal(page, "No spare of this part is on record for that day.")
    expect(page.get_by_label("Part")).to_have_value("tubing")
    expect(page.get_by_label("Day")).to_have_value("2026-03-10")
    assert on_record() == before
    page.get_by_label("Keep the report even without a spare on record").check()
    page.get_by_role("button", name="Log the swap").click()
    expect(page.get_by_role("status")).to_contain_text("Swap logged: tubing on Tue 10 Mar.")
    assert Event.objects.get().kind == "tubing"
