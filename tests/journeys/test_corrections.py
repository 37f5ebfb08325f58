"""What was dispensed and is not right: void and its undo window, an exchange, a slip signed."""

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from playwright.sync_api import Page, expect

from resupply.models import DispenseLine, Location, Proof, StockLevel
from resupply.services import stocking
from resupply.services.dispensing import NewLine
from resupply.services.shelves import StockLine
from tests.builders import NOW, TODAY, make_item
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import give, patient_page

pytestmark = pytest.mark.browser
both_widths = pytest.mark.parametrize("width", [1280, 390])


@pytest.fixture
def line(cast: Cast) -> DispenseLine:
    """Odalys got three cushions of size M today, from a shelf of five; five of size L lie beside them."""
    medium, large = make_item(name="Nasal cushion", size="M"), make_item(name="Nasal cushion", size="L")
    goods = [StockLine(item=item, quantity=5, lot=f"LOT-{item.size}") for item in (medium, large)]
    stocking.receive(location=cast.north, lines=goods, received_on=TODAY, by=None, now=NOW)
    cast.odalys.location = Location.objects.get(pk=cast.north.pk)
    dispense = give(cast.odalys, TODAY, NewLine(item=medium, quantity=3, lot="LOT-M"))
    return dispense.lines.get()


@pytest.fixture
def minutes_later() -> Iterator[Any]:
    """Lets time pass."""
    with time_machine.travel(NOW + timedelta(hours=4), tick=False) as clock:
        yield lambda minutes: clock.shift(timedelta(minutes=minutes))


def on_hand(size: str) -> int:
    return StockLevel.objects.get(item__size=size).on_hand


def open_slip(page: Page, cast: Cast, line: DispenseLine) -> None:
    page.goto(patient_page(cast.odalys))
    page.get_by_role("link", name=f"slip {line.dispense.number}").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Slip {line.dispense.number}")


def void(page: Page, *, to_shelf: bool) -> None:
    page.get_by_role("link", name="Void the dispense").click()
    page.get_by_label("Reason").fill("given to the wrong patient")
    expect(page.get_by_label("Discarded")).to_be_checked()
    if to_shelf:
        page.get_by_label("Back on the shelf").check()
    page.get_by_role("button", name="Void the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("Voided: dispense of Wed 18 Mar.")


@both_widths
def test_a_void_is_undone_within_its_window(
    window: OpenWindow, cast: Cast, line: DispenseLine, width: int, minutes_later: Any, settings: Any
) -> None:
    settings.SESSION_IDLE_MINUTES = 60  # somebody waits for a quarter of an hour here
    page = window(user=cast.user("desk"), width=width)
    open_slip(page, cast, line)
    void(page, to_shelf=True)
    expect(page.get_by_text("No parts on record yet.")).to_be_visible()
    assert on_hand("M") == 5
    page.get_by_role("status").get_by_role("button", name="Undo the void").click()
    expect(page.get_by_role("status")).to_contain_text("The void is undone")
    expect(page.get_by_role("link", name="Record who signed")).to_be_visible()
    assert on_hand("M") == 2

    void(page, to_shelf=False)
    minutes_later(16)
    page.get_by_role("status").get_by_role("button", name="Undo the void").click()
    expect(page.get_by_role("alert")).to_contain_text("log the dispense again")
    line.refresh_from_db()
    assert line.is_voided
    assert on_hand("M") == 2


def test_a_wrong_size_is_exchanged_in_one_act(window: OpenWindow, cast: Cast, line: DispenseLine) -> None:
    page = window(user=cast.user("desk"))
    open_slip(page, cast, line)
    page.get_by_role("link", name="exchange").click()
    page.get_by_label("Part that goes out").select_option("Nasal cushion, L")
    page.get_by_label("Reason*").fill("too small")
    page.get_by_label("Back on the shelf").check()
    page.get_by_label("Lot", exact=True).fill("LOT-L")
    page.get_by_role("button", name="Exchange the part").click()
    new = DispenseLine.objects.get(exchange_of=line)
    expect(page.get_by_role("status")).to_contain_text(f"Have slip {new.dispense.number} signed.")
    expect(page.get_by_role("article", name="Delivery slip")).to_contain_text("Nasal cushion, L")
    assert (on_hand("M"), on_hand("L")) == (5, 2)
    page.get_by_role("link", name=f"slip {line.dispense.number}").click()
    expect(page.get_by_text("exchanged: too small")).to_be_visible()
    page.get_by_role("link", name="Odalys Brandt").click()
    expect(page.get_by_text("3 × cushion")).to_have_count(2)  # both stay visible


def test_a_slip_is_signed_and_never_by_staff(window: OpenWindow, cast: Cast, line: DispenseLine) -> None:
    page = window(user=cast.user("desk"), width=390)
    page.goto("/")
    page.get_by_role("link", name="Dispensed").click()
    page.get_by_label("Marked").select_option("Without proof of delivery")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("link", name=line.dispense.number).click()
    with page.context.expect_event("response", lambda r: r.url.endswith("slip.pdf")) as pdf:
        page.evaluate(
            "url => fetch(url)", page.get_by_role("link", name="Open the PDF").get_attribute("href")
        )
    assert pdf.value.headers["content-type"] == "application/pdf"
    page.get_by_role("link", name="Record who signed").click()
    page.get_by_label("Signed by").fill("Dana Rook")
    page.get_by_label("Relation to the patient").fill("supplier employee")
    page.get_by_role("button", name="Record the proof").click()
    expect(page.get_by_role("alert")).to_contain_text("anyone with a financial interest cannot sign")
    page.get_by_label("Signed by").fill("Jan Brandt")
    page.get_by_label("Relation to the patient").fill("spouse")
    page.get_by_role("button", name="Record the proof").click()
    expect(page.get_by_role("article", name="Delivery slip")).to_contain_text(
        re.compile("Slip signed by Jan Brandt .spouse., parts received on Wed 18 Mar 2026")
    )
    assert Proof.objects.get().recorded_by == cast.desk.user
    page.get_by_role("link", name="Dispensed").click()
    expect(page.get_by_role("row", name=line.dispense.number)).to_contain_text("Jan Brandt")
