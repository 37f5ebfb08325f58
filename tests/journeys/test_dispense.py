"""The desk's main act, at a desk and on a phone: the same again, an exception, a parcel.

Odalys ran out of cushions, mask and tubing on 1 February (`let_fall_behind`). Suggested today, by hand: three
cushions of a month, one mask and one tubing of three months each reach the three months aimed at.
"""

import pytest
from playwright.sync_api import Locator, Page, expect

from resupply.models import DispenseLine, Patient
from resupply.services.answer_items import NewItem
from resupply.services.answers import record_answer
from tests.builders import NOW, TODAY
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind, patient_page

pytestmark = pytest.mark.browser

WIDTHS = pytest.mark.parametrize("width", [pytest.param(1280, id="desktop"), pytest.param(390, id="phone")])
MOST_KEYS = 10
"""From the first key on Today to a dispense on record."""


class Keys:
    """A keyboard that counts what is pressed."""

    def __init__(self, page: Page) -> None:
        self.page, self.pressed = page, 0

    def type(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.pressed += len(text)

    def press(self, key: str) -> None:
        self.page.keyboard.press(key)
        self.pressed += 1


def heading(page: Page, text: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(text)
    page.wait_for_load_state()


def row(page: Page, part: str) -> Locator:
    return page.get_by_role("group", name=part, exact=True)


def open_form(page: Page, patient: Patient, answer: str = "") -> None:
    if answer:
        page.goto(f"{patient_page(patient)}dispense/?answer={answer}")
    else:
        page.goto(patient_page(patient))
        page.get_by_role("link", name="Dispense", exact=True).click()
    heading(page, "Dispense")


@WIDTHS
def test_the_same_again_by_keyboard_alone_in_ten_keys(window: OpenWindow, cast: Cast, width: int) -> None:
    let_fall_behind(cast)
    page = window(width=width, user=cast.user("desk"))
    page.goto("/")
    heading(page, "Today")
    keys = Keys(page)
    keys.type("bran")
    keys.press("Enter")
    heading(page, "Odalys Brandt")
    expect(page.get_by_role("link", name="Dispense", exact=True)).to_be_focused()
    keys.press("Enter")
    heading(page, "Dispense")
    expect(row(page, "Cushion").get_by_label("Quantity")).to_have_value("3")
    expect(row(page, "Cushion")).to_contain_text("At most 6 today · 3 suggested")
    expect(row(page, "Cushion")).to_contain_text("next from Mon 8 Jun")  # ten days before 18 June
    keys.press("Enter")
    expect(page.get_by_role("status")).to_contain_text(
        "Dispensed on Wed 18 Mar: 1 × mask, 3 × cushion, 1 × tubing."
    )
    assert keys.pressed <= MOST_KEYS
    assert DispenseLine.objects.filter(dispense__dispensed_on=TODAY).count() == 3
    # One Enter too many opens the form again, with nothing in it to log.
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert DispenseLine.objects.filter(dispense__dispensed_on=TODAY).count() == 3


@WIDTHS
def test_an_exception_takes_a_reason_and_a_word_about_notice(
    window: OpenWindow, cast: Cast, width: int
) -> None:
    let_fall_behind(cast)
    page = window(width=width, user=cast.user("desk"))
    open_form(page, cast.odalys)
    cushion = row(page, "Cushion")
    cushion.get_by_label("Quantity").fill("7")
    cushion.get_by_label("Quantity").press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("At most 6 of these may be dispensed on that day")
    expect(row(page, "Mask").get_by_label("Quantity")).to_have_value("1")
    cushion.get_by_label("Reason for an exception").fill("Travels for four months")
    cushion.get_by_label("Reason for an exception").press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("was given written notice")
    expect(cushion).to_contain_text("the payer may deny it")
    expect(cushion.get_by_label("Reason for an exception")).to_have_value("Travels for four months")
    cushion.get_by_label("Written notice", exact=True).select_option("Written notice given")
    cushion.get_by_label("Notice given on").fill("2026-03-18")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("7 × cushion")
    expect(
        page.get_by_text("Outside the limits (more than the limit): Travels for four months")
    ).to_be_visible()
    expect(page.get_by_text("last given as an exception")).to_have_count(1)
    line = DispenseLine.objects.get(quantity=7)
    assert (line.exception_stops, line.notice, line.notice_on) == (["too_many"], "given", TODAY)


@WIDTHS
def test_nothing_ships_without_the_patients_own_yes(window: OpenWindow, cast: Cast, width: int) -> None:
    let_fall_behind(cast)
    page = window(width=width, user=cast.user("desk"))
    open_form(page, cast.odalys)
    expect(page.get_by_label("Tracking id")).to_be_hidden()
    page.get_by_label("Given", exact=True).select_option("Shipped")
    page.get_by_label("Tracking id").fill("1Z-77")
    page.get_by_label("Shipped to").fill("12 Cedar Way")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("alert").get_by_text("Nothing is shipped without")).to_have_count(3)
    row(page, "Cushion").get_by_text("More", exact=True).click()
    row(page, "Cushion").get_by_label("Reason for an exception").fill("The patient always says yes")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("alert").get_by_text("Nothing is shipped without")).to_have_count(3)
    expect(page.get_by_label("Tracking id")).to_have_value("1Z-77")
    assert not DispenseLine.objects.filter(dispense__given="shipped").exists()

    asked = NewItem(kind="cushion", wanted=True, need="worn", quantity=2)
    answer = record_answer(
        patient=cast.odalys, wish="yes", items=[asked],
        channel="phone", contacted_on=TODAY, handover="ship", by=cast.desk.user, now=NOW,
    )  # fmt: skip
    open_form(page, cast.odalys, str(answer.public_id))
    expect(page.get_by_label("Given", exact=True)).to_have_value("shipped")
    expect(row(page, "Cushion").get_by_label("Quantity")).to_have_value("2")
    expect(row(page, "Mask").get_by_label("Quantity")).to_have_value("")
    page.get_by_label("Carrier").fill("Parcel post")
    page.get_by_label("Tracking id").fill("1Z-78")
    page.get_by_label("Shipped to").fill("12 Cedar Way")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("Shipped on Wed 18 Mar: 2 × cushion.")
    line = DispenseLine.objects.get(dispense__given="shipped")
    assert line.answer_item is not None
    assert line.answer_item.answer == answer
    assert line.dispense.tracking_id == "1Z-78"
    assert line.dispense.delivery_address == "12 Cedar Way"
