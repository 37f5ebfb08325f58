"""A patient's own page on a phone: opened by its link and a date of birth, with and without JavaScript, in
English and in Spanish; and what the desk sees of it.
"""

import re
from datetime import timedelta
from http.client import HTTPConnection
from urllib.parse import urlsplit

import pytest
from django.urls import reverse
from ical.calendar_stream import IcsCalendarStream
from icalendar import Calendar
from playwright.sync_api import Page, expect

from resupply.models import CleaningTick, Event, MagnetScreen, Patient, PatientReport, RefillAnswer
from resupply.queries.consents import may_write
from resupply.services import doors, feeds, plans
from resupply.services.doors import IssuedLink
from resupply.services.feeds import Options
from resupply.web.patient import page_urls
from tests.builders import (
    NOW,
    TODAY,
    make_consent,
    make_dispense,
    make_event,
    make_item,
    make_question,
    make_report,
)
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import Thumb, sign_in
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


def fetch(address: str) -> bytes:
    """A calendar, as a program fetches it: no cookie, no redirect."""
    place = urlsplit(address)
    http = HTTPConnection(place.netloc, timeout=10)
    http.request("GET", place.path)
    answer = http.getresponse()
    assert answer.status == 200
    return answer.read()


def subscribe(page: Page) -> None:
    """A calendar of weekly and monthly cleaning and part changes, read by two programs' libraries."""
    page.get_by_role("link", name="Make a calendar link").click()
    expect(page.get_by_text("The firm behind your calendar stores what it fetches.")).to_be_visible()
    for name in ("Daily cleaning", "When we may ask about new parts"):
        page.get_by_label(name).uncheck()
    page.get_by_label("Words that name each part").check()
    page.get_by_label("Alarm").select_option("8 am")
    page.get_by_role("button", name="Make a calendar link").click()
    address = page.get_by_label("Your calendar link").input_value()
    expect(page.get_by_role("link", name="Open in my calendar")).to_have_attribute(
        "href", "webcal:" + address.partition(":")[2]
    )
    expect(page.get_by_role("img", name="Your calendar link")).to_be_visible()
    feed = fetch(address)
    titles = {str(event["SUMMARY"]) for event in Calendar.from_ical(feed).walk("VEVENT")}
    assert titles == {event.summary for event in IcsCalendarStream.calendar_from_ics(feed.decode()).events}
    assert {"Change: cushion", "Weekly cleaning", "Monthly cleaning"} <= titles
    assert not {"Daily cleaning"} & titles
    page.get_by_role("link", name="Back to your calendar").click()
    expect(page.get_by_text("last read Wednesday 18 March")).to_be_visible()
    page.get_by_role("link", name=re.compile("^Change ?: Link of Wednesday 18 March")).click()
    page.get_by_label("Daily cleaning").check()
    page.get_by_label("Plain words that name no part").check()
    page.get_by_role("button", name="Save my calendar choices").click()
    expect(page.get_by_text("Saved.")).to_be_visible()
    changed = fetch(address)
    assert b"SUMMARY:Daily care" in changed
    assert b"cushion" not in changed
    page.get_by_role("link", name="Back to your page").click()


def tick_off_and_undo(page: Page) -> None:
    """A task of today, and back."""
    page.get_by_role("button", name=DONE).click()
    expect(page.get_by_role("button", name=UNDO)).to_be_visible()
    assert CleaningTick.objects.get(voided_at=None).task == "wash_cushion"
    page.get_by_role("button", name=UNDO).click()
    expect(page.get_by_role("button", name=DONE)).to_be_visible()
    assert not CleaningTick.objects.filter(voided_at=None).exists()


def answer_in_three_taps(page: Page) -> None:
    """The refill question, from the page itself; looking at it records nothing."""
    thumb = Thumb()
    page.get_by_role("link", name="Answer", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Do you need new parts?")
    assert not RefillAnswer.objects.exists()
    thumb.tap(page.locator("label", has_text="Yes, I use it"))
    thumb.tap(page.locator("label", has_text="It is worn"))
    thumb.tap(page.get_by_role("button", name="Yes, I want this"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Thank you. We have your answer.")
    assert thumb.taps == 3
    said = RefillAnswer.objects.get()
    assert (said.wish, said.channel) == ("yes", "page")
    page.get_by_role("link", name="Back to your page").click()
    expect(page.get_by_text("We have your answer of Wednesday 18 March.")).to_be_visible()


def pause(page: Page) -> None:
    """Not in use: undone, then said again, then in use again."""
    page.get_by_role("link", name="I am not using my equipment").click()
    page.get_by_label("Why?").fill("at my sister's")
    page.get_by_role("button", name="Put my dates on hold").click()
    expect(page.get_by_text("Your dates are on hold. We will call you.")).to_be_visible()
    page.get_by_role("button", name="Undo this").click()
    expect(page.get_by_text("Undone. All is as before.")).to_be_visible()
    assert not Event.objects.filter(voided_at=None).exists()
    page.get_by_role("link", name="Back to your page").click()
    page.get_by_role("link", name="I am not using my equipment").click()
    page.get_by_role("button", name="Put my dates on hold").click()
    page.get_by_role("link", name="Back to your page").click()
    expect(page.get_by_text("On pause since Wednesday 18 March.")).to_be_visible()
    page.get_by_role("link", name="I am using it again").click()
    page.get_by_role("button", name="I am using it again").click()
    page.get_by_role("link", name="Back to your page").click()
    expect(page.get_by_role("heading", name="Today's cleaning")).to_be_visible()


def stop_everything(page: Page, cast: Cast) -> None:
    """No more messages of any kind, at once; and the way back."""
    page.get_by_role("link", name="Choose or stop our messages").click()
    page.get_by_role("button", name="Stop everything").click()
    expect(page.get_by_text("We will not write or call any more.")).to_be_visible()
    assert not may_write([cast.odalys.pk], "mail", "swap")
    page.get_by_role("button", name="Undo this").click()
    expect(page.get_by_text("Undone. All is as before.")).to_be_visible()
    assert may_write([cast.odalys.pk], "mail", "swap")
    page.get_by_role("button", name="Stop everything").click()
    expect(page.get_by_role("button", name="Undo this")).to_be_visible()
    assert not may_write([cast.odalys.pk], "mail", "swap")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_morning_with_the_page(window: OpenWindow, cast: Cast, issued: IssuedLink, scripts: bool) -> None:
    Patient.objects.filter(pk=cast.odalys.pk).update(email="odalys@patients.example")
    make_consent(cast.odalys)
    make_question(cast.odalys, parts=[{"kind": "tubing", "part_code": "A7037"}])
    page = window(width=390, height=844, scripts=scripts)
    open_door(page, issued)
    tick_off_and_undo(page)
    pause(page)
    if scripts:
        subscribe(page)
        answer_in_three_taps(page)
    stop_everything(page, cast)


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
    phone.get_by_role("button", name="Tell the clinic").click()
    desk.goto("/")
    desk.get_by_role("link", name="Open the report of Odalys Brandt").click()
    expect(desk.get_by_text("bridge of the nose")).to_be_visible()
    critic.look(desk, "a report")
    desk.get_by_label("What was done").fill("called; comes in on Friday")
    desk.get_by_role("button", name="Mark as handled").click()
    expect(desk.get_by_role("status")).to_contain_text("Handled: Sore spot")
    assert PatientReport.objects.get().handled_note == "called; comes in on Friday"

    desk.goto(reverse("desk:calendar", args=[cast.odalys.public_id]))
    desk.get_by_role("button", name="Make the calendar").click()
    desk.get_by_label("Calendar address").wait_for()
    desk.locator(".account summary").click()
    desk.get_by_role("button", name="Sign out").click()  # forms work on a page that tells nobody its path
    expect(desk.get_by_role("heading", level=1)).to_have_text("Sign in")
    assert critic.found == []


NEVER_SHOWN = {"tick", "language", "undo"}
"""What only takes."""


def addresses(cast: Cast, issued: IssuedLink) -> dict[str, str]:
    """One address of every own page that a browser shows, by the resolver, and some that pages turn into."""
    arguments = {
        "calendar_change": [feeds.subscribe(cast.odalys, Options(), by=None, now=NOW).subscription.public_id],
        "report": ["sore"],
        "help_topic": ["answer"],
        "told": [make_report(cast.odalys).public_id],
        "changed_done": [make_event(cast.odalys, "swap", on=TODAY, by_patient=True).public_id],
    }
    names = [str(one.name) for one in page_urls.urlpatterns if one.name not in NEVER_SHOWN]
    found = {name: reverse(f"me:{name}", args=[issued.token, *arguments.get(name, [])]) for name in names}
    return found | {"an illness": reverse("me:report", args=[issued.token, "ill"])}


class Looker:
    """Looks at pages in one language: axe at 390 pixels, then at 320, then with letters twice the size."""

    def __init__(self, window: OpenWindow, language: str) -> None:
        self.page, self.critic, self.language = window(width=390), Critic(), language

    def look(self, name: str) -> None:
        page = self.page
        expect(page.locator("html")).to_have_attribute("lang", self.language)
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        self.critic.look(page, f"{name} in {self.language}")
        for width, letters in ((SMALLEST, "100%"), (390, "200%")):  # WCAG 2.2: 1.4.10 and 1.4.4
            page.set_viewport_size({"width": width, "height": 900})
            page.evaluate("size => document.documentElement.style.fontSize = size", letters)
            wide = page.evaluate("document.documentElement.scrollWidth")
            if wide > width:
                self.critic.found.append(
                    f"{name} in {self.language}: {wide} pixels wide at {width}, {letters}"
                )

    def go(self, name: str, address: str) -> None:
        self.page.goto(address)
        assert self.page.url.endswith(address), name
        self.look(name)

    def refuse(self, name: str, address: str) -> None:
        """Send a form in which nothing is chosen."""
        self.page.goto(address)
        self.page.locator("main input:checked").evaluate_all("all => all.forEach(one => one.checked = false)")
        self.page.locator("main form .btn-primary").first.click()
        self.page.get_by_role("alert").first.wait_for()
        self.look(f"{name}, refused")


@pytest.mark.long
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_page_for_patients_is_clean_narrow_and_large(
    window: OpenWindow, cast: Cast, issued: IssuedLink, language: str
) -> None:
    Patient.objects.filter(pk=cast.odalys.pk).update(language=language, cleaning_hour=20)
    make_question(cast.odalys, parts=[{"kind": "tubing", "part_code": "A7037"}])
    looker, pages = Looker(window, language), addresses(cast, issued)
    page = looker.page
    page.goto(pages["page"])
    looker.look("the date of birth")
    for name, number in (("month", "2"), ("day", "4"), ("year", "1961")):
        page.locator(f"input[name={name}]").fill(number)
    page.locator("main form .btn-primary").click()
    page.locator(".chores").wait_for()
    for name, address in pages.items():
        looker.go(name, address)
    for name in ("implant", "calendar", "question"):
        looker.refuse(name, pages[name])
    page.goto(pages["calendar"])
    page.locator("main form .btn-primary").click()
    page.locator(".copy").wait_for()
    looker.look("an address")
    page.goto(pages["pause"])
    page.locator("main form .btn-primary").click()
    looker.look("told")
    looker.go("on pause", pages["page"])
    assert looker.critic.found == []
