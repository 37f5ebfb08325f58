"""Magnets first, driven as people drive it: a yes in the household stops a magnetic mask at the desk,
whatever is typed; a call ends the urgent mark; a therapist clears the yes with a reason, and the mask may go
out.
"""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import Locator, Page, expect

from resupply.models import CatalogueItem, Dispense, MagnetScreen
from resupply.services import plans
from tests.builders import NOW, TODAY, make_dispense, make_item
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import patient_page, sign_in
from tests.journeys.test_accessibility import Critic

pytestmark = pytest.mark.browser
MASK_GTIN = "04000000000013"


@pytest.mark.long
def test_a_yes_stops_the_mask_until_a_therapist_clears_it(window: OpenWindow, cast: Cast) -> None:
    hold_a_magnetic_mask(cast)
    critic, desk, therapist = Critic(), window(), window(width=390)
    sign_in(desk, cast.user("desk"))
    desk.goto(patient_page(cast.odalys))
    expect(desk.get_by_text("Magnetic parts are stopped")).to_have_count(0)
    early = window(user=cast.user("desk"))
    early.goto(patient_page(cast.odalys))
    fill_in(early)

    ask(desk, critic)
    expect(desk.get_by_role("status")).to_contain_text("Answers of Wed 18 Mar recorded.")
    expect(desk.get_by_text("Urgent: call the patient.")).to_be_visible()
    expect(desk.get_by_role("row", name="Larch mask")).to_contain_text("holds magnets")
    expect(desk.locator("main")).not_to_contain_text("Hearing")
    critic.look(desk, "what follows")
    be_stopped(desk, early, cast, critic)
    call(desk)

    sign_in(therapist, cast.user("therapist"))
    clear(therapist, cast, critic)
    desk.goto(patient_page(cast.odalys))
    expect(desk.get_by_text("Magnetic parts are stopped")).to_have_count(0)
    fill_in(desk)
    log(desk)
    expect(desk.get_by_role("status")).to_contain_text("1 × mask")
    assert Dispense.objects.count() == 2
    assert critic.found == []


def hold_a_magnetic_mask(cast: Cast) -> None:
    """Odalys wears a mask with magnets, worn on the usual day; the answers on record are clear."""
    mask = make_item(
        name="Larch mask",
        kind="mask",
        part_code="A7034",
        family="Larch",
        magnetic="yes",
        gtin=MASK_GTIN,
    )
    line = {"item": mask, "part_code": "A7034", "quantity": 1, "family": "Larch"}
    make_dispense(cast.odalys, on=TODAY - timedelta(days=120), lines=[line])
    plans.refresh_plans([cast.odalys.pk], now=NOW)


def ask(page: Page, critic: Critic) -> None:
    """The household has changed: no for the wearer, one yes and no for the rest for the other; first a line
    is forgotten, then all is answered by keyboard.
    """
    page.get_by_role("link", name="see what was asked about magnets").click()
    page.get_by_role("link", name="Ask again: household or implants changed").click()
    page.get_by_label("Asked on").wait_for()
    page.wait_for_load_state()
    page.get_by_label("Asked on").focus()
    wearer = page.get_by_role("checkbox", name=re.compile("No to all.*the wearer"))
    tab_to(page, wearer)
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("21 of 21 lines have no answer")
    expect(wearer).to_be_checked()
    critic.look(page, "lines left open")
    close = page.get_by_role("checkbox", name=re.compile("No to all.*in close contact"))
    wearer.focus()
    tab_to(page, close)
    page.keyboard.press("Space")
    implant = page.get_by_role("radiogroup", name="Hearing or balance implant").nth(1)
    implant.get_by_label("No", exact=True).focus()
    page.keyboard.press("ArrowRight")
    expect(implant.get_by_label("Yes", exact=True)).to_be_checked()
    page.keyboard.press("Enter")


def tab_to(page: Page, box: Locator) -> None:
    """By the Tab key alone, a few steps away."""
    for _ in range(6):
        page.keyboard.press("Tab")
        if box.evaluate("box => box === document.activeElement"):
            return
    raise AssertionError("not reached by Tab")


def fill_in(page: Page) -> None:
    """One more of the mask worn, not logged yet."""
    page.get_by_role("link", name="Dispense", exact=True).click()
    mask = page.get_by_role("group", name="Mask")
    mask.get_by_label("Part").select_option(f"item:{CatalogueItem.objects.get(name='Larch mask').pk}")
    mask.get_by_label("Quantity").fill("1")


def log(page: Page) -> None:
    page.get_by_role("button", name="Log the dispense").click()


def be_stopped(page: Page, early: Page, cast: Cast, critic: Critic) -> None:
    """The mask is no choice and no scan; logged from a form opened before, no reason lifts the stop."""
    page.goto(patient_page(cast.odalys))
    expect(page.get_by_text("Magnetic parts are stopped: a yes is on record.")).to_be_visible()
    page.get_by_role("link", name="Dispense", exact=True).click()
    expect(page.get_by_role("option", name="Larch mask")).to_have_count(0)
    page.get_by_label("Scan").fill(f"01{CatalogueItem.objects.get(name='Larch mask').gtin}")
    page.get_by_label("Scan").press("Enter")
    expect(page.locator("main")).to_contain_text("This part holds magnets")
    log(early)
    for reason in ("", "The patient insists and signs for it"):
        if reason:
            mask = early.get_by_role("group", name="Mask")
            mask.get_by_text("More", exact=True).click()
            mask.get_by_label("Reason for an exception").fill(reason)
            log(early)
        expect(early.get_by_role("alert")).to_contain_text("This part holds magnets")
        expect(early.get_by_role("alert")).to_contain_text("No reason lifts this")
        assert Dispense.objects.count() == 1
    for one in (page, early):
        expect(one.locator("main")).not_to_contain_text("implant")
        critic.look(one, "a mask that is stopped")


def call(page: Page) -> None:
    """Today names the patient first until somebody was reached."""
    page.goto("/")
    expect(page.get_by_text("Urgent: call")).to_be_visible()
    page.get_by_role("link", name="What to say").click()
    expect(page.get_by_role("heading", name="What to say on the call")).to_be_visible()
    page.get_by_role("link", name="Log the call").click()
    page.get_by_label("Reached", exact=True).check()
    page.get_by_role("button", name="Log the call").click()
    page.goto("/")
    expect(page.get_by_text("Urgent: call")).to_have_count(0)


def clear(page: Page, cast: Cast, critic: Critic) -> None:
    """The therapist sees whose it is, and says why it no longer applies."""
    page.goto(patient_page(cast.odalys))
    page.get_by_role("link", name="What follows").click()
    expect(page.get_by_text("Hearing or balance implant").first).to_be_visible()
    critic.look(page, "a yes in detail")
    page.get_by_role("link", name="Ask again").click()
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.get_by_role("button", name="Record the answers").click()
    expect(page.get_by_role("alert")).to_contain_text("Say why it no longer applies")
    critic.look(page, "clearing without a reason")
    page.get_by_label("Why an earlier yes no longer applies").fill("That person has moved out.")
    page.get_by_role("button", name="Record the answers").click()
    expect(page.get_by_text("Magnetic parts may be given.")).to_be_visible()
    assert MagnetScreen.objects.filter(patient=cast.odalys).latest("pk").cleared_reason
