"""The main job, driven as people drive it: parts are given, and everything that follows from them follows.

The dates were worked out by hand: shipped lives (one month a cushion, three a mask or a tubing: common
practice) from the day they are given, 18 March 2026. Cushions change on 18 April and 18 May, and the supply
of every line ends on 18 June; from 19 May, 30 days before, one may be asked (the refill rule of CMS), and the
calendar says to think of new ones.
"""

import urllib.error
import urllib.request
from dataclasses import dataclass
from datetime import date

import pytest
from icalendar import Calendar
from playwright.sync_api import Page, expect

from resupply.models import Dispense
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind, sign_in

pytestmark = pytest.mark.browser


@pytest.mark.long
def test_from_sign_in_to_the_feed_and_back(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    desk, office = window(), window(width=390)
    sign_in(desk, cast.user("desk"))
    find_by_keyboard(desk)
    see_why_it_is_overdue(desk)
    address = subscribe(desk)
    first = fetch(address)
    assert fetch(address, unless=first.etag) == Fetched(304, first.etag, {})
    sign_in(office, cast.user("manager"))
    assert overdue(office) == {"Odalys Brandt": {"Mask", "Cushion", "Tubing"}, "Tevin Okafor": {"Cushion"}}

    dispense(desk)
    assert supply_ends(desk) == {"Mask": "Thu 18 Jun", "Cushion": "Thu 18 Jun", "Tubing": "Thu 18 Jun"}
    assert overdue(office) == {"Tevin Okafor": {"Cushion"}}
    second = fetch(address, unless=first.etag)
    assert second.status == 200
    assert second.etag != first.etag
    assert first.days - second.days == {date(2026, 1, 2), date(2026, 2, 1)}  # to think of it, and needed
    assert second.days - first.days == {
        date(2026, 4, 18), date(2026, 5, 18), date(2026, 5, 19), date(2026, 6, 18)
    }  # fmt: skip

    void(desk)
    assert supply_ends(desk) == dict.fromkeys(("Mask", "Cushion", "Tubing"), "Sun 1 Feb")
    assert overdue(office)["Odalys Brandt"] == {"Mask", "Cushion", "Tubing"}
    third = fetch(address, unless=second.etag)
    assert third.status == 200
    assert third.days == first.days
    came_back = third.entries.keys() - second.entries
    assert came_back
    assert all(third.sequence(uid) > first.sequence(uid) for uid in came_back)
    see_both_in_the_history(desk)


# --- at the desk ---


def find_by_keyboard(page: Page) -> None:
    """From the top of the page to the patient without touching anything but keys."""
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    page.wait_for_load_state()
    search = page.get_by_role("combobox", name="Find a patient")
    expect(search).to_be_focused()
    page.keyboard.type("brandt oda")
    expect(page.get_by_role("option")).to_have_text(["Odalys Brandt born 4 Feb 1961 · ref 1047 · North room"])
    expect(search).to_have_attribute("aria-expanded", "true")
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("option", selected=True)).to_contain_text("Odalys Brandt")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Odalys Brandt")
    assert "brandt" not in page.url.lower()


def see_why_it_is_overdue(page: Page) -> None:
    """The line says so, and opens the steps behind it in place; so does its date in the table."""
    line = page.get_by_role("region", name="Supply over time").get_by_role("listitem")
    cushion = line.filter(has=page.get_by_role("img", name="Cushion"))
    expect(cushion).to_contain_text("45 days overdue")  # 1 February to 18 March
    here = page.url
    cushion.get_by_text("why?").click()
    cushion.locator("summary").filter(has_text="Days overdue").click()
    expect(cushion.get_by_text("Days since the supply ended")).to_be_visible()
    cushion.locator("summary").filter(has_text="In use since").click()
    expect(cushion.get_by_text("dispense of Sat 1 Nov 2025").first).to_be_visible()

    ends = page.get_by_role("row", name="Cushion").locator("[data-label='Supply ends']")
    ends.locator("summary").first.press("Enter")
    expect(ends.get_by_text("shipped life of A7032").first).to_be_visible()
    page.keyboard.press("Escape")
    expect(ends.get_by_text("shipped life of A7032").first).to_be_hidden()
    expect(ends.locator("summary").first).to_be_focused()
    assert page.url == here


def subscribe(page: Page) -> str:
    """The address of a new calendar, as the page shows it this once."""
    page.get_by_role("link", name="Calendar").click()
    page.get_by_role("button", name="Make the calendar").click()
    address = page.get_by_label("Calendar address").input_value()
    webcal = page.get_by_role("link", name="Open in a calendar program").get_attribute("href")
    assert webcal == "webcal:" + address.removeprefix("http:")
    expect(page.get_by_role("img", name="QR code of the calendar address")).to_be_visible()
    page.get_by_role("link", name="Odalys Brandt").click()
    return address


def dispense(page: Page) -> None:
    """Three cushions, a mask and a tubing in one form, then back on the patient's page."""
    page.get_by_role("link", name="Dispense", exact=True).click()
    for part, quantity in (("Cushion", "3"), ("Mask", "1"), ("Tubing", "1")):
        page.get_by_role("group", name=part).get_by_label("Quantity").fill(quantity)
    cushion = page.get_by_role("group", name="Cushion")
    cushion.get_by_label("Lot", exact=True).fill("L-3300")
    page.get_by_role("button", name="Log the dispense").click()
    expect(page.get_by_role("status")).to_contain_text(
        "Dispensed on Wed 18 Mar: 1 × mask, 3 × cushion, 1 × tubing."
    )


def void(page: Page) -> None:
    """The newest dispense, all of it, with a reason."""
    page.get_by_role("link", name="void all the dispense of Wed 18 Mar").click()
    page.get_by_label("Reason").fill("Logged for the wrong person")
    page.get_by_role("button", name="Void the dispense").click()
    expect(page.get_by_role("status")).to_contain_text("Voided: dispense of Wed 18 Mar.")


def see_both_in_the_history(page: Page) -> None:
    """Nothing is deleted: the void one stands struck through, with its reason and who gave it."""
    page.get_by_role("link", name="History", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("History")
    for lot in ("L-2291", "L-3300"):
        expect(page.get_by_text(f"lot {lot}")).to_be_visible()
    reasons = page.get_by_text("by ines: Logged for the wrong person")
    expect(reasons).to_have_count(1)  # of the dispense, not of each of its lines
    assert Dispense.objects.filter(voided_at=None).count() == 2  # the first one, and Tevin's


def supply_ends(page: Page) -> dict[str, str]:
    """Part -> the day its supply ends, as the table of the patient's page says it."""
    table = page.get_by_role("region", name="What may be dispensed today")
    ends = {}
    for row in table.get_by_role("row").filter(has=page.locator("td")).all():
        part = row.get_by_role("rowheader").inner_text().split("\n")[0].strip()
        ends[part.split("Nasal")[0].strip()] = row.locator("[data-label='Supply ends'] time").inner_text()
    return ends


# --- in the office ---


def overdue(page: Page) -> dict[str, set[str]]:
    """Patient -> parts on the manager's list."""
    page.get_by_role("link", name="Overdue", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Overdue")
    rows: dict[str, set[str]] = {}
    for row in page.get_by_role("region", name="Overdue lines").get_by_role("row").all()[1:]:
        part = row.locator("[data-label='Part']").inner_text().split()[0]
        rows.setdefault(row.get_by_role("link").inner_text(), set()).add(part)
    return rows


# --- the calendar program ---


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a calendar program got: UID -> (day, SEQUENCE)."""

    status: int
    etag: str
    entries: dict[str, tuple[date, int]]

    @property
    def days(self) -> set[date]:
        return {day for day, _ in self.entries.values()}

    def sequence(self, uid: str) -> int:
        return self.entries[uid][1]


def fetch(address: str, *, unless: str = "") -> Fetched:
    """GET over HTTP, with If-None-Match where an ETag is known; a client that is no browser."""
    request = urllib.request.Request(address, headers={"If-None-Match": unless} if unless else {})  # noqa: S310
    try:
        answer = urllib.request.urlopen(request, timeout=20)  # noqa: S310
    except urllib.error.HTTPError as refusal:  # so urllib calls everything but 2xx and redirects
        answer = refusal
    with answer:
        assert answer.headers["ETag"]
        return Fetched(answer.status, answer.headers["ETag"], _entries(answer.read()))


def _entries(body: bytes) -> dict[str, tuple[date, int]]:
    events = Calendar.from_ical(body).walk("VEVENT") if body else []
    return {str(event["UID"]): (event["DTSTART"].dt, int(event["SEQUENCE"])) for event in events}
