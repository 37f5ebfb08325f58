"""From Today's list of calls to a yes on record, and on to the dispense it is for; and a call nobody took."""

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from resupply.models import Contact, RefillAnswer
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind

if TYPE_CHECKING:
    from tests.cast import Cast

pytestmark = pytest.mark.browser


def test_a_yes_by_telephone_moves_to_said_yes_and_opens_the_dispense(
    cast: "Cast", window: OpenWindow
) -> None:
    let_fall_behind(cast)
    page = window(user=cast.desk.user)
    page.goto("/")
    calls = page.get_by_role("region", name="Calls to make")
    assert "Odalys Brandt" in calls.inner_text()
    assert "Odalys Brandt" not in page.get_by_role("region", name="Said yes").inner_text()

    calls.get_by_role("link", name="Record an answer of Odalys Brandt").click()
    page.get_by_role("group", name="Are you still using your equipment?").get_by_label("Yes").check()
    assert page.get_by_label("How the answer came in").input_value() == "phone"
    page.get_by_label("Why the parts are needed").select_option("worn")
    tubing = page.get_by_role("group", name="Tubing", exact=True)
    tubing.get_by_label("Not now").check()
    page.get_by_role("group", name="Cushion", exact=True).get_by_label("In the patient's words").fill("leaks")
    page.get_by_role("button", name="Record the answer").click()

    page.get_by_text("Recorded: yes to mask, cushion.").wait_for()
    answer = RefillAnswer.objects.get()
    assert page.url.endswith(f"/dispense/?answer={answer.public_id}")
    page.get_by_role("heading", name="Dispense").wait_for()
    assert dict(answer.items.values_list("kind", "need")) == {
        "mask": "Worn, time for a new one",
        "cushion": "leaks",
        "tubing": "",
    }

    page.goto("/")
    assert "Odalys Brandt" not in page.get_by_role("region", name="Calls to make").inner_text()
    said_yes = page.get_by_role("region", name="Said yes")
    assert "cushion" in said_yes.inner_text()
    said_yes.get_by_role("link", name="Dispense to Odalys Brandt").click()
    page.get_by_role("heading", name="Dispense").wait_for()
    assert f"answer={answer.public_id}" in page.url


def test_what_is_missing_is_said_and_the_keyboard_mends_it(cast: "Cast", window: OpenWindow) -> None:
    let_fall_behind(cast)
    page = window(user=cast.desk.user)
    page.goto("/today/calls/")
    page.get_by_role("link", name="Record an answer of Odalys Brandt").click()
    page.get_by_role("heading", name="Record an answer").wait_for()
    first_yes = page.get_by_role("radio", name="Yes").first
    expect(page.locator(":focus")).to_have_attribute("type", "radio")  # the page opens on the first question
    page.wait_for_load_state()
    page.keyboard.press("Space")
    expect(first_yes).to_be_checked()
    page.get_by_role("button", name="Record the answer").press("Enter")
    alert = page.get_by_role("alert")
    alert.get_by_text("Say why the patient needs this part").wait_for()
    assert not RefillAnswer.objects.exists()
    expect(first_yes).to_be_checked()  # nothing typed is lost
    page.get_by_label("Why the parts are needed").select_option("worn")
    page.get_by_role("button", name="Record the answer").press("Enter")
    page.get_by_text("Recorded: yes to mask, cushion, tubing.").wait_for()


def test_a_call_nobody_took_leaves_the_list_until_tomorrow(cast: "Cast", window: OpenWindow) -> None:
    let_fall_behind(cast)
    page = window(width=390, user=cast.desk.user)
    page.goto("/")
    page.get_by_role("link", name="Log a call to Odalys Brandt").click()
    page.get_by_label("Note").fill("rang twice")
    page.get_by_role("button", name="Log the call").click()
    page.get_by_text("Call to Odalys Brandt logged: no answer. To try again on Thu 19 Mar.").wait_for()
    assert page.get_by_text("No call to make.").is_visible()
    assert Contact.objects.get().note == "rang twice"
