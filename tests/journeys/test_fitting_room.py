"""The therapist's half hour as people work it: a match whose order follows the
answers, a fitting of three tries with its leak map by keyboard, and nights brought in and charted.
"""

from datetime import date, timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from resupply.models import CatalogueItem, Fitting, MatchRecord, Night
from resupply.services import plans
from tests.builders import NOW, TODAY, make_dispense, make_item
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import sign_in
from tests.journeys.test_accessibility import Critic

pytestmark = pytest.mark.browser


def page_of(name: str, cast: Cast) -> str:
    return reverse(f"therapist:{name}", args=[cast.odalys.public_id])


def test_toggled_answers_change_the_order_in_place(window: OpenWindow, cast: Cast) -> None:
    critic, page = Critic(), window(width=390)
    sign_in(page, cast.user("therapist"))
    page.goto(page_of("fittings", cast))
    page.get_by_role("link", name="Match a mask style").click()
    first = page.locator("#order .style-name").first
    expect(first).to_have_text("Nasal pillows")

    page.get_by_role("group", name="Blocked nose").get_by_label("most of the time").check()
    expect(first).to_have_text("Full face mask")
    expect(page.locator("#order")).to_contain_text("Check AHI and pressure again after the switch.")
    page.get_by_text("What would change the order").click()
    expect(page.locator("#order")).to_contain_text("Blocked nose: no → nasal pillows first")
    critic.look(page, "an order with reasons")
    page.get_by_role("group", name="Blocked nose").get_by_label("no", exact=True).check()
    expect(first).to_have_text("Nasal pillows")
    page.get_by_role("group", name="Therapy").get_by_label("Home ventilation").check()
    expect(page.locator("#order")).to_contain_text("Refer to the prescriber.")
    page.get_by_role("group", name="Therapy").get_by_label("not asked").check()
    expect(first).to_have_text("Nasal pillows")

    page.get_by_role("group", name="Style chosen").get_by_label("Nasal pillows").check()
    page.get_by_label("Note").fill("wants to see his book")
    page.get_by_role("button", name="Record the match").click()
    expect(page.get_by_role("status")).to_contain_text("nasal pillows chosen")
    assert MatchRecord.objects.get().order[0] == "nasal_pillows"
    assert critic.found == []


def test_three_tries_with_a_leak_map_by_keyboard_end_in_a_dispense(window: OpenWindow, cast: Cast) -> None:
    make_item(
        name="Alder full face", kind="mask", part_code="A7030", style="full_face", family="Alder",
        magnetic="no", pack_sizes=["S", "M", "L"],
    )  # fmt: skip
    make_item(name="Clasp mask", kind="mask", part_code="A7030", style="full_face", magnetic="yes")
    cast.odalys.magnet_screens.update(voided_at=NOW, void_reason="never asked")
    critic, page = Critic(), window()
    sign_in(page, cast.user("therapist"))
    page.goto(page_of("fittings", cast))
    page.get_by_role("link", name="Begin a fitting").click()
    page.get_by_role("button", name="Begin the fitting").click()
    expect(page.locator("main")).to_contain_text("1 mask not offered")
    page.get_by_label("Mask", exact=True).select_option(label="Alder full face")
    page.get_by_role("button", name="Try this mask").click()
    expect(page.locator("main")).to_contain_text("Fasten the upper straps first")

    for size, presses in (("S", 2), ("M", 1), ("L", 0)):
        try_on(page, size, presses)
    critic.look(page, "three tries")
    expect(page.locator(".try").nth(1)).to_contain_text("less than before")

    page.get_by_role("group", name="Outcome").get_by_label("A mask was kept").check()
    page.get_by_label("Which try was kept").select_option(index=3)
    page.get_by_role("button", name="End the fitting").click()
    expect(page.get_by_role("status")).to_contain_text("Fitting ended")
    expect(page.locator("main")).to_contain_text("Filled in: the mask kept at the fitting")
    expect(page.get_by_label("Quantity").first).to_have_value("1")
    mask = CatalogueItem.objects.get(name="Alder full face")
    expect(page.locator("select[name=rows-0-part]")).to_have_value(f"item:{mask.pk}")
    fitting = Fitting.objects.get()
    assert [one.leaks["bridge"] for one in fitting.tries.all()] == ["strong", "slight", "none"]
    assert fitting.size_kept == "L"
    assert critic.found == []


def try_on(page: Page, size: str, presses: int) -> None:
    """A size on the face; the bridge is marked by pressing Enter on its place of the map, so many times."""
    page.get_by_label("Size").fill(size)
    place = page.get_by_role("group", name="Leak map").get_by_role("button", name="Bridge of the nose")
    place.focus()
    for _ in range(presses):
        page.keyboard.press("Enter")
    grade = ("none", "slight", "strong")[presses]
    expect(place).to_have_accessible_name(f"Bridge of the nose: {grade}")
    expect(page.get_by_role("group", name="Bridge of the nose").get_by_label(grade)).to_be_checked()
    page.get_by_role("button", name="Keep this try").click()
    said = f"bridge of the nose {grade}" if presses else "no leak"
    expect(page.get_by_role("status")).to_contain_text(said)


def test_nights_are_brought_in_and_charted(window: OpenWindow, cast: Cast) -> None:
    begun = TODAY - timedelta(days=25)
    make_dispense(cast.odalys, on=begun, lines=[{"part_code": "A7032"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    critic, page = Critic(), window(width=390)
    sign_in(page, cast.user("therapist"))
    page.goto(page_of("nights", cast))
    expect(page.locator("main")).to_contain_text("No nights on record.")
    bring_in(page, [f"{begun},25 h,20,total"])
    expect(page.locator("main")).to_contain_text("Nothing was recorded: 1 fault in the file.")
    expect(page.locator("main")).to_contain_text("Row 2, usage_min: no number (“25 h”)")
    critic.look(page, "a file with a fault")

    leaks = [20, 22] * 7 + [40] * 10
    bring_in(page, [f"{begun + timedelta(days=n)},400,{leak},total" for n, leak in enumerate(leaks)])
    expect(page.get_by_role("status")).to_contain_text("24 nights added.")
    expect(page.get_by_role("heading", name="Leak has risen with the cushion in use")).to_be_visible()
    expect(page.locator("main")).to_contain_text("Look at the cushion early.")
    assert page.locator(".night-chart rect").count() == 24
    page.get_by_text("The nights in a table").click()
    expect(page.get_by_role("row", name="6:40").first).to_be_visible()
    critic.look(page, "nights charted")
    assert Night.objects.count() == len(leaks)
    assert Night.objects.earliest("night_on").night_on == date(2026, 2, 21)
    assert critic.found == []


def bring_in(page: Page, rows: list[str]) -> None:
    content = "night_date,usage_min,leak_p95_lpm,leak_kind\n" + "\n".join(rows)
    sent = {"name": "nights.csv", "mimeType": "text/csv", "buffer": content.encode()}
    page.get_by_label("File of nights").set_input_files(sent)
    page.get_by_role("button", name="Import the nights").click()
