"""The first hour of a clinic: an administrator, alone with an empty database, is led to the first dispense.

At a desk as far as the payers, by keys alone at first; from then on with a phone.
"""

from typing import Any

import pytest
from django.core import mail
from playwright.sync_api import Page, expect

from resupply.models import Dispense, Location, Role
from tests.builders import PASSWORD, make_staff
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits, sign_in

pytestmark = pytest.mark.browser


def test_from_an_empty_database_to_the_first_dispense(
    window: OpenWindow, transactional_db: None, settings: Any
) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    page = window()
    sign_in(page, make_staff(Role.ADMINISTRATOR, username="ada", email="ada@clinic.example").user)
    expect(page.get_by_role("region", name="First steps")).to_contain_text("0 of 7 settled")
    add_a_location_by_keys(page)
    invite_somebody(page, window())
    page.set_viewport_size({"width": 390, "height": 844})
    add_a_payer(page)
    add_an_item(page)
    page.get_by_role("listitem").filter(has_text="Your old list").get_by_role("button").click()
    expect(page.get_by_role("status")).to_contain_text("Not for us: Your old list.")
    send_a_test(page)
    give_the_first_parts(page)
    page.goto("/")
    page.get_by_role("link", name="See them, and put them away").click()
    expect(page.get_by_text("7 of 7 settled")).to_be_visible()
    assert fits(page)
    page.get_by_role("button", name="Put the first steps away").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    expect(page.get_by_role("status")).to_contain_text("Put away.")
    expect(page.get_by_role("region", name="First steps")).to_have_count(0)


def add_a_location_by_keys(page: Page) -> None:
    page.get_by_role("link", name="Add a location").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Add a location")
    page.wait_for_load_state()
    page.get_by_label("Name").focus()
    page.keyboard.type("North room")
    page.keyboard.press("Tab")
    page.keyboard.type("America/Denver")
    page.keyboard.press("Tab")
    page.keyboard.type("+1 303 555 0100")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Added: North room.")
    expect(page.get_by_text("1 of 7 settled")).to_be_visible()
    place = Location.objects.get()
    assert (place.time_zone, place.open_weekdays) == ("America/Denver", "01234")


def invite_somebody(page: Page, other: Page) -> None:
    """By mail; who is invited joins by the link."""
    page.get_by_role("link", name="Invite somebody").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("People")
    page.wait_for_load_state()
    page.get_by_label("Name").fill("Ines Varga")
    page.get_by_label("E-mail address").fill("ines@clinic.example")
    page.get_by_role("button", name="Send the invitation").click()
    expect(page.get_by_role("status")).to_contain_text("Invited: Ines Varga.")
    (letter,) = mail.outbox
    other.goto("/join/" + str(letter.body).split("/join/")[1].split()[0])
    other.get_by_label("User name").fill("ines")
    other.get_by_label("Password").first.fill(PASSWORD)
    other.get_by_label("Password again").fill(PASSWORD)
    other.get_by_role("button").last.click()
    expect(other.get_by_role("heading", level=1)).to_have_text("Sign in")
    page.goto("/manager/first-steps/")
    expect(page.get_by_text("2 of 7 settled")).to_be_visible()


def add_a_payer(page: Page) -> None:
    page.get_by_role("link", name="Add a payer").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Add a payer")
    assert fits(page)
    expect(page.get_by_text("Source: DME MAC")).to_be_visible()
    page.get_by_label("Name").fill("Payer A")
    press(page, "Add the payer", "3 of 7 settled")


def add_an_item(page: Page) -> None:
    page.get_by_role("link", name="Add an item").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Add an item")
    page.wait_for_load_state()
    page.get_by_label("Part and billing code").select_option("A7037")
    expect(page.get_by_label("Magnets")).to_have_value("no")
    page.get_by_label("Name").fill("Tubing, 1.8 m")
    press(page, "Add the item", "4 of 7 settled")


def send_a_test(page: Page) -> None:
    page.get_by_role("link", name="Test the mail").click()
    expect(page.get_by_label("Send it to")).to_have_value("ada@clinic.example")
    assert fits(page)
    press(page, "Send a test message", "The message became a file.")
    assert mail.outbox[-1].to == ["ada@clinic.example"]


def give_the_first_parts(page: Page) -> None:
    page.goto("/")
    page.get_by_role("link", name="Find or add a patient").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("New patient")
    page.wait_for_load_state()
    for label, value in (
        ("Given name", "Odalys"),
        ("Family name", "Brandt"),
        ("Date of birth", "1961-02-04"),
        ("Reference", "1047"),
    ):
        page.get_by_label(label).fill(value)
    press(page, "Add the patient", "Patient added.")
    page.get_by_role("link", name="Dispense", exact=True).click()
    expect(page.get_by_role("button", name="Log the dispense")).to_be_visible()
    page.wait_for_load_state()
    page.get_by_label("Part", exact=True).first.select_option(label="Tubing, 1.8 m")
    page.get_by_label("Quantity").first.fill("1")
    press(page, "Log the dispense", "Dispensed on Wed 18 Mar: 1 × tubing.")
    assert Dispense.objects.get().location.name == "North room"


def press(page: Page, button: str, said: str) -> None:
    """Press a button, and wait for the page that says so."""
    page.get_by_role("button", name=button).click()
    expect(page.get_by_text(said).first).to_be_visible()
    page.wait_for_load_state()
