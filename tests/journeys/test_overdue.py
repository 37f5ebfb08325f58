"""A manager works on the overdue list: narrows it, keeps the view, snoozes two lines, takes that back, and
takes a file. It begins at the desk and ends on a phone.
"""

import csv

import pytest
from django.urls import reverse

from resupply.models import LineAct
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits, let_fall_behind

pytestmark = pytest.mark.browser


def test_narrow_save_snooze_undo_and_export(cast: Cast, window: OpenWindow) -> None:
    let_fall_behind(cast)
    page = window(width=1440, user=cast.manager.user)
    page.goto(reverse("manager:overdue"))
    page.get_by_label("Location", exact=True).select_option("North room")
    page.get_by_text("More filters").click()
    page.get_by_label("Reached").select_option("Never reached")
    page.get_by_role("button", name="Show").click()
    assert page.get_by_role("rowheader").filter(has_text="Tevin").count() == 0
    page.get_by_role("link", name="8 to 30 days").wait_for()  # counted after the page came
    page.get_by_role("link", name="Save this view").click()
    page.get_by_label("Name").fill("North, never reached")
    page.get_by_role("button", name="Save the view").click()
    page.get_by_role("link", name="North, never reached", exact=True).wait_for()

    counts = page.get_by_role("link", name="8 to 30 days")
    counts.wait_for()  # what is clicked below must not move meanwhile
    page.wait_for_load_state()
    lines = page.get_by_role("checkbox", name="Odalys Brandt")
    before = lines.count()
    assert before == 3
    lines.nth(0).check()
    lines.nth(1).check()
    page.get_by_role("button", name="Snooze …").click()
    page.get_by_text("It concerns 2 lines of 1 patient.").wait_for()
    assert not LineAct.objects.exists()
    page.get_by_label("Back on the list on").fill("2026-03-30")
    page.get_by_label("Reason").fill("moving house")
    page.get_by_role("button", name="Snooze", exact=True).click()
    page.get_by_text("2 lines snoozed until Mon 30 Mar: moving house.").first.wait_for()
    assert lines.count() == 1
    page.set_viewport_size({"width": 390, "height": 844})  # the rest on a phone
    assert fits(page)
    page.get_by_label("Snoozed").select_option("Only those")
    page.get_by_role("button", name="Show").click()
    page.get_by_text("snoozed until Mon 30 Mar: moving house").first.wait_for()
    assert lines.count() == 2
    page.get_by_role("button", name="Undo this").click()
    page.get_by_text("Undone for 2 lines.").wait_for()

    with page.expect_navigation():
        page.get_by_role("link", name="North, never reached", exact=True).click()
    counts.wait_for()
    page.wait_for_load_state()
    assert lines.count() == before
    lines.nth(0).check()
    page.get_by_role("button", name="Note …").click()
    page.get_by_text("It concerns 1 line of 1 patient.").wait_for()
    assert fits(page)
    page.go_back()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download as CSV").click()
    rows = list(csv.DictReader(download.value.path().read_text("utf-8").splitlines()))
    assert {row["patient_ref"] for row in rows} == {"1047"}
    assert {row["next_step"] for row in rows} == {"call: no yes to messages"}
