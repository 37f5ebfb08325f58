"""A patient's own page on a phone: opened by its link and a date of birth, with and without JavaScript, in
English and in Spanish; and what the desk sees of it.
"""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from resupply.models import CleaningTick, Event, MagnetScreen, PatientReport
from resupply.services import doors, plans
from resupply.services.doors import IssuedLink
from tests.builders import NOW, TODAY, make_dispense, make_item
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import sign_in
from tests.journeys.test_accessibility import Critic

pytestmark = pytest.mark.browser
SMALLEST = 320
DONE, UNDO = (re.compile(rf"^{does} ?: Wash or wipe the cushion") for does in ("Done", "Undo"))


@pytest.fixture
def issued(cast: Cast) -> IssuedLink:
    """Odalys wears a mask with magnets and has a spare cushion; the tubing is past its date."""
    person = cast.odalys
    cast.north.phone = "+1 303 555 0100"
    cast.north.save()
    mask = make_item(name="Larch mask", kind="mask", part_code="A7034", family="Larch", magnetic="yes")
    worn = {"item": mask, "part_code": "A7034", "quantity": 1, "family": "Larch"}
    make_dispense(person, on=TODAY - timedelta(days=60), lines=[worn, {"part_code": "A7046"}])
    make_dispense(person, on=TODAY - timedelta(days=17), lines=[{"quantity": 2}])
    make_dispense(person, on=TODAY - timedelta(days=200), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([person.pk], now=NOW)
    return doors.issue(person, by=None, now=NOW)


def open_door(page: Page, issued: IssuedLink) -> None:
    """The link, then the date of birth in three numbers."""
    page.goto(reverse("me:page", args=[issued.token]))
    page.get_by_label("Month").fill("2")
    page.get_by_label("Day", exact=True).fill("4")
    page.get_by_label("Year").fill("1961")
    page.get_by_role("button", name="Show my page").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Good morning, Odalys")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_tick_off_undo_and_pause(window: OpenWindow, issued: IssuedLink, scripts: bool) -> None:
    page = window(width=390, scripts=scripts)
    open_door(page, issued)
    page.get_by_role("button", name=DONE).click()
    expect(page.get_by_role("button", name=UNDO)).to_be_visible()
    assert CleaningTick.objects.get().task == "wash_cushion"
    page.get_by_role("button", name=UNDO).click()
    expect(page.get_by_role("button", name=DONE)).to_be_visible()
    assert not CleaningTick.objects.filter(voided_at=None).exists()

    page.get_by_role("link", name="I am not using my equipment").click()
    page.get_by_label("Why?").fill("at my sister's")
    page.get_by_role("button", name="Put it on hold").click()
    expect(page.get_by_text("Your dates are on hold. We will call you.")).to_be_visible()
    page.get_by_role("button", name="Undo this").click()
    expect(page.get_by_text("Undone. All is as before.")).to_be_visible()
    assert not Event.objects.filter(voided_at=None).exists()
    page.get_by_role("link", name="Back to your page").click()
    page.get_by_role("link", name="I am not using my equipment").click()
    page.get_by_role("button", name="Put it on hold").click()
    page.get_by_role("link", name="Back to your page").click()
    expect(page.get_by_text("On pause since Wednesday 18 March.")).to_be_visible()
    page.get_by_role("link", name="I am using it again").click()
    page.get_by_role("button", name="I am using it again").click()
    page.get_by_role("link", name="Back to your page").click()
    expect(page.get_by_role("heading", name="Today's cleaning")).to_be_visible()


def test_an_implant_is_reported_and_the_desk_stops(
    window: OpenWindow, cast: Cast, issued: IssuedLink
) -> None:
    phone, desk = window(width=390), window()
    open_door(phone, issued)
    phone.get_by_role("link", name="I have an implant, or someone close to me does").click()
    phone.get_by_role("button", name="Tell the clinic").click()
    expect(phone.get_by_role("alert")).to_contain_text("Please choose one.")
    phone.get_by_label("Someone close to me").check()
    phone.get_by_label("A pacemaker").check()
    phone.get_by_role("button", name="Tell the clinic").click()
    expect(phone.get_by_text("We give you no parts with magnets from now on.")).to_be_visible()
    expect(phone.get_by_text("Please call us now if your mask has magnets.")).to_be_visible()
    expect(phone.get_by_role("link", name="+1 303 555 0100")).to_be_visible()
    assert MagnetScreen.objects.latest("pk").close_contact == "yes"

    sign_in(desk, cast.user("desk"))
    expect(desk.get_by_text("Urgent: call Odalys Brandt")).to_be_visible()
    expect(desk.locator("main")).not_to_contain_text("pacemaker")
    desk.goto(reverse("desk:patient", args=[cast.odalys.public_id]))
    expect(desk.get_by_text("Magnetic parts are stopped: a yes is on record.")).to_be_visible()


def test_the_desk_gives_the_link_and_hears_of_a_sore_spot(
    window: OpenWindow, cast: Cast, issued: IssuedLink
) -> None:
    critic, desk, phone = Critic(), window(user=cast.user("desk")), window(width=390)
    desk.goto(reverse("desk:patient", args=[cast.odalys.public_id]))
    desk.get_by_role("link", name="Own page").click()
    critic.look(desk, "the link")
    desk.get_by_role("link", name="Renew").click()
    desk.get_by_role("button", name="Renew the link").click()
    address = desk.get_by_label("Link to the patient's own page").input_value()
    expect(desk.get_by_role("img", name="QR code of the link")).to_be_visible()
    critic.look(desk, "shown once")
    desk.get_by_role("link", name="The patient’s own page").click()
    desk.get_by_role("link", name="In Spanish").click()
    expect(desk.get_by_text("You are looking as staff.")).to_be_visible()
    critic.look(desk, "as staff")

    phone.goto(reverse("me:page", args=[issued.token]))
    expect(phone.get_by_role("heading", name="This link does not work")).to_be_visible()
    critic.look(phone, "an old link")
    open_door(phone, IssuedLink(issued.link, address.split("/me/")[1].strip("/")))
    phone.get_by_role("link", name="I have a sore spot").click()
    phone.get_by_label("Where is it?").fill("bridge of the nose")
    phone.get_by_role("button", name="Send it").click()
    desk.goto("/")
    desk.get_by_role("link", name="Open the report of Odalys Brandt").click()
    expect(desk.get_by_text("bridge of the nose")).to_be_visible()
    critic.look(desk, "a report")
    desk.get_by_label("What was done").fill("called; comes in on Friday")
    desk.get_by_role("button", name="Mark as seen to").click()
    expect(desk.get_by_role("status")).to_contain_text("Seen to: Sore spot")
    assert PatientReport.objects.get().handled_note == "called; comes in on Friday"
    assert critic.found == []


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_page_for_patients_is_clean_and_narrow(
    window: OpenWindow, issued: IssuedLink, language: str
) -> None:
    critic, page = Critic(), window(width=390)

    def look(name: str, *args: object) -> None:
        page.goto(reverse(f"me:{name}", args=[issued.token, *args]))
        see(name)

    def see(name: str) -> None:
        expect(page.locator("html")).to_have_attribute("lang", language)
        critic.look(page, f"{name} in {language}")
        page.set_viewport_size({"width": SMALLEST, "height": 700})
        assert page.evaluate("document.documentElement.scrollWidth") <= SMALLEST, name
        page.set_viewport_size({"width": 390, "height": 900})

    open_door(page, issued)
    if language == "es":
        page.get_by_role("button", name="Ver en español").click()
        page.get_by_role("heading", name="Buenos días, Odalys").wait_for()
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    see("page")
    for name in ("month", "calendar", "days", "changed", "implant", "pause", "again"):
        look(name)
    for what in ("leak", "sore", "ill"):
        look("report", what)
    look("implant_done")
    page.goto(reverse("me:implant", args=[issued.token]))
    page.locator("main form .btn-primary").click()
    see("refused")
    page.goto(reverse("me:calendar", args=[issued.token]))
    page.locator("main form .btn-primary").click()
    page.locator(".copy").wait_for()
    see("an address")
    page.goto(reverse("me:changed", args=[issued.token]))
    page.locator("input[value=tubing]").check()
    page.locator("main form .btn-primary").click()
    page.locator("main form .btn-outline-primary").wait_for()
    see("done")
    page.goto(reverse("me:pause", args=[issued.token]))
    page.locator("main form .btn-primary").click()
    look("page")
    assert critic.found == []
