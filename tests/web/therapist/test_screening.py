"""Magnets on screen: the list asked, the stop shown to all, the details to therapists and administrators."""

import re
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import CatalogueItem, Contact, MagnetScreen, Patient
from resupply.rules.magnets import implants
from resupply.services import feeds, plans
from tests.builders import NOW, TODAY, make_dispense, make_event, make_item, make_patient, make_screen
from tests.cast import Cast
from tests.delivery.pdf import Pdf
from tests.web.addresses import addresses_of
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")

NO = dict.fromkeys(implants(), "no")
ALL_NO = {"asked_on": "2026-03-18", "wearer_none": "on", "close_contact_none": "on"}


def as_(cast: Cast, who: str) -> Client:
    client = Client()
    client.force_login(cast.user(who))
    return client


def page(view: str, patient: Patient) -> str:
    return reverse(f"therapist:{view}", args=[patient.public_id])


def say_yes(patient: Patient, **over: Any) -> MagnetScreen:
    """A yes on record: a cochlear implant in the household."""
    details = {"wearer": NO, "close_contact": NO | {"hearing_implant": "yes"}, "kept": {}}
    return make_screen(patient, close_contact="yes", details=details, **over)


def give_mask(patient: Patient, *, days: int = 20) -> None:
    item = CatalogueItem.objects.filter(name="Larch mask").first() or make_item(
        name="Larch mask", kind="mask", part_code="A7034", magnetic="yes"
    )
    line = {"item": item, "part_code": "A7034", "quantity": 1}
    make_dispense(patient, on=TODAY - timedelta(days=days), lines=[line])
    plans.refresh_plans([patient.pk], now=NOW)


# --- asking -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("who", ["desk", "therapist", "manager", "administrator"])
def test_no_to_all_is_one_act_for_each_person(cast: Cast, who: str) -> None:
    answer = as_(cast, who).post(page("screen", cast.odalys), ALL_NO)
    assert answer["Location"] == page("magnets", cast.odalys)
    row = cast.odalys.magnet_screens.latest("pk")
    assert (row.wearer, row.close_contact, row.asked_on) == ("no", "no", TODAY)
    assert row.details["wearer"] == NO
    assert row.recorded_by == cast.user(who)


def test_no_to_all_for_one_person_answers_nothing_for_the_other(cast: Cast) -> None:
    client = as_(cast, "desk")
    sent = {"asked_on": "2026-03-18", "wearer_none": "on", "close_contact_pacemaker": "unknown"}
    answer = client.post(page("screen", cast.odalys), sent)
    assert answer.status_code == 422
    assert cast.odalys.magnet_screens.count() == 1
    assert f"{len(NO) - 1} of {len(NO)} lines have no answer" in text(answer)
    shown = answer.content.decode()
    assert 'href="#id_close_contact_defibrillator_0"' in shown
    assert re.search(r'name="wearer_none"[^>]*checked', shown)
    assert re.search(r'name="close_contact_pacemaker" value="unknown"[^>]*checked', shown)


def test_a_yes_beside_no_to_all_is_a_yes(cast: Cast) -> None:
    answer = as_(cast, "desk").post(
        page("screen", cast.odalys), ALL_NO | {"close_contact_hearing_implant": "yes"}, follow=True
    )
    row = cast.odalys.magnet_screens.latest("pk")
    assert (row.wearer, row.close_contact) == ("no", "yes")
    assert "Magnetic parts are stopped: a yes is on record." in text(answer)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ({"asked_on": "2026-03-19"}, "has not come yet"),
        ({"asked_on": "1950-01-01"}, "before the patient's date of birth"),
        ({"asked_on": ""}, "Enter a date."),
        ({"wearer_stent": "maybe"}, "is not offered here"),
    ],
)
def test_refused_input_writes_nothing(cast: Cast, sent: dict[str, str], told: str) -> None:
    answer = as_(cast, "desk").post(page("screen", cast.odalys), ALL_NO | sent)
    assert answer.status_code == 422
    assert told in text(answer).replace("&#x27;", "'")
    assert cast.odalys.magnet_screens.count() == 1


def test_the_list_is_spoken_in_the_patients_language(cast: Cast) -> None:
    spanish = make_patient(location=cast.north, language="es")
    client = as_(cast, "desk")
    assert "Un marcapasos" in text(client.get(page("screen", spanish)))
    assert "not been reviewed" in text(client.get(page("screen", spanish)))
    assert "Un marcapasos" not in text(client.get(page("screen", cast.odalys)))


# --- a yes holds --------------------------------------------------------------------------------------------


def test_the_desk_cannot_clear_a_yes_and_the_therapist_says_why(cast: Cast) -> None:
    say_yes(cast.odalys)
    address = page("screen", cast.odalys)
    for who in ("desk", "manager"):
        client = as_(cast, who)
        assert "cleared_reason" not in client.get(address).content.decode()
        answer = client.post(address, ALL_NO | {"cleared_reason": "taken out"})
        assert answer.status_code == 422
        assert "hand this to a therapist" in text(answer)
    therapist = as_(cast, "therapist")
    refused = therapist.post(address, ALL_NO)
    assert "Say why it no longer applies" in text(refused)
    assert cast.odalys.magnet_screens.count() == 2
    done = therapist.post(address, ALL_NO | {"cleared_reason": "device taken out"}, follow=True)
    assert "Magnetic parts may be given" in text(done)
    assert "Earlier yes cleared: device taken out" in text(done)


def test_what_follows_a_yes(cast: Cast) -> None:
    give_mask(cast.odalys)
    say_yes(cast.odalys)
    client = as_(cast, "desk")
    shown = text(client.get(page("magnets", cast.odalys)))
    assert "Urgent: call the patient." in shown
    assert "Mask Larch mask holds magnets in use" in shown
    for words in ("16 cm", "15.24 cm", "maker", "prescriber", "Health Canada , 26 Sep 2022"):
        assert words in shown, words
    assert "US Food and Drug Administration , 6 Sep 2022" in shown
    assert "US Food and Drug Administration , 11 Jan 2024" in shown
    assert "Therapeutic Goods Administration" in shown
    assert "stop therapy" not in shown.lower()
    Contact.objects.create(patient=cast.odalys, on=TODAY, outcome="reached", recorded_at=NOW)
    assert "Urgent" not in text(client.get(page("magnets", cast.odalys)))


@pytest.mark.parametrize(
    ("screen", "told"),
    [
        (None, "answers are needed. Nobody has been asked yet."),
        ({"wearer": "unknown"}, "answers are needed. A line was answered with “not known”."),
        ({"asked_on": date(2025, 3, 18)}, "answers are needed again. The last answers are a year old."),
        ({"asked_on": date(2025, 3, 19)}, "hold until Thu 19 Mar , or until the household"),
    ],
)
def test_open_answers_stop_too(cast: Cast, screen: dict[str, Any] | None, told: str) -> None:
    person = make_patient(location=cast.north, screened=False)
    if screen is not None:
        make_screen(person, **screen)
    client = as_(cast, "desk")
    assert told in text(client.get(page("magnets", person)))
    on_patient = text(client.get(reverse("desk:patient", args=[person.public_id])))
    assert ("Magnetic parts are stopped: answers are needed" in on_patient) is ("hold until" not in told)


def test_void_with_a_reason(cast: Cast) -> None:
    row = cast.odalys.magnet_screens.get()
    address = reverse("therapist:screen_void", args=[row.public_id])
    client = as_(cast, "desk")
    assert client.post(address, {"reason": " "}).status_code == 422
    assert client.post(address, {"reason": "another patient's"})["Location"] == page("magnets", cast.odalys)
    row.refresh_from_db()
    assert (row.is_voided, row.voided_by) == (True, cast.desk.user)
    say_yes(cast.odalys)
    positive = cast.odalys.magnet_screens.latest("pk")
    refused = client.post(reverse("therapist:screen_void", args=[positive.public_id]), {"reason": "slip"})
    assert "hand this to a therapist" in text(refused)


# --- who sees what ------------------------------------------------------------------------------------------

HEALTH = re.compile(r"hearing or balance|cochlear|hearing_implant|close contact: yes|secret reason", re.I)
ASKING = {"therapist:screen"}
"""The list itself names every implant, of nobody."""


@pytest.fixture
def addresses(cast: Cast) -> dict[str, str]:
    """Every page of the site about Odalys, who has a yes on record, one cleared and one voided."""
    give_mask(cast.odalys)
    make_screen(cast.odalys, cleared_reason="secret reason")
    screen = cast.odalys.magnet_screens.latest("pk")
    cast.odalys.magnet_screens.exclude(pk=screen.pk).update(voided_at=NOW, void_reason="secret reason")
    dispense = make_dispense(cast.odalys, on=date(2026, 1, 1))
    event = make_event(cast.odalys, "pause", on=date(2026, 3, 1))
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    calendar = feeds.subscribe(cast.odalys, feeds.Options(), by=None, now=NOW)
    found = addresses_of(cast.odalys, dispense=dispense, event=event, calendar=calendar)
    say_yes(cast.odalys)
    return found


@pytest.mark.parametrize("who", ["desk", "manager"])
def test_no_page_of_the_desk_tells_the_health_detail(cast: Cast, addresses: dict[str, str], who: str) -> None:
    client, seen = as_(cast, who), 0
    for name, address in addresses.items():
        if name in ASKING or name == "logout":
            continue
        answer = client.get(address)
        if answer.status_code == 200 and not answer.streaming:
            seen += 1
            is_pdf = answer["Content-Type"] == "application/pdf"
            words = Pdf.read(answer.content).text() if is_pdf else answer.content.decode()
            assert not HEALTH.search(words), name
    assert seen > 25
    assert "Magnetic parts are stopped: a yes is on record." in text(client.get(addresses["desk:patient"]))


@pytest.mark.parametrize("who", ["therapist", "administrator"])
def test_who_cares_for_the_patient_sees_it(cast: Cast, addresses: dict[str, str], who: str) -> None:
    shown = text(as_(cast, who).get(addresses["therapist:magnets"]))
    assert "Anyone in close contact Hearing or balance implant with a magnet" in shown
    assert "Anyone in close contact: yes" in shown
    assert shown.count("secret reason") == 2


def test_the_list_looks_the_same_whatever_is_on_record(cast: Cast) -> None:
    """Asking starts blank: nothing is ticked for anyone, and the desk reads the same lines for all."""
    say_yes(cast.odalys)
    client, other = as_(cast, "desk"), make_patient(location=cast.north)
    table = re.compile(r"<table.*</table>", re.S)
    lists = [
        table.search(client.get(page("screen", person)).content.decode()) for person in (cast.odalys, other)
    ]
    blank, other_blank = (found.group() for found in lists if found)
    assert blank == other_blank
    assert " checked>" not in blank


def test_another_room_finds_nothing(cast: Cast) -> None:
    client = as_(cast, "desk")
    for view in ("magnets", "screen"):
        assert client.get(page(view, cast.tevin)).status_code == 404
    assert client.post(page("screen", cast.tevin), ALL_NO).status_code == 404
    row = cast.tevin.magnet_screens.get()
    assert (
        client.post(reverse("therapist:screen_void", args=[row.public_id]), {"reason": "x"}).status_code
        == 404
    )
    assert cast.tevin.magnet_screens.count() == 1
    row.refresh_from_db()
    assert not row.is_voided


def test_as_many_queries_for_many_screens_as_for_few(cast: Cast) -> None:
    give_mask(cast.odalys)
    say_yes(cast.odalys)
    client = as_(cast, "therapist")
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            client.get(page("magnets", cast.odalys))
        counts.append(len(queries))
        for _ in range(5):
            say_yes(cast.odalys, recorded_by=cast.desk.user)
        give_mask(cast.odalys)
    assert counts[0] == counts[1] <= 16


# --- never offered ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "screen"),
    [
        *((who, "yes") for who in ("desk", "therapist", "manager", "administrator")),
        *(("desk", screen) for screen in ("unknown", "none", "clear")),
        *(("therapist", screen) for screen in ("unknown", "clear")),
    ],
)
def test_the_dispense_form_fills_in_no_magnetic_part_while_they_are_stopped(
    cast: Cast, who: str, screen: str
) -> None:
    """The mask worn holds magnets and is due again: it is a choice, and filled in, for the clear alone."""
    person = make_patient(location=cast.north, screened=screen == "clear")
    give_mask(person, days=120)
    if screen in {"yes", "unknown"}:
        make_screen(person, wearer=screen)
    item = CatalogueItem.objects.get(name="Larch mask")
    shown = as_(cast, who).get(reverse("desk:dispense", args=[person.public_id])).content.decode()
    chosen = re.findall(r'<option value="([^"]+)" selected>', shown)
    is_clear = screen == "clear"
    assert (re.search(r'name="rows-0-quantity" value="1"', shown) is not None) is is_clear
    assert chosen.count(f"item:{item.pk}") == is_clear
    assert (f'<option value="item:{item.pk}"' in shown) is is_clear
    assert ("<strong>Stopped.</strong> This part holds magnets" in shown) is not is_clear
    assert ("Headgear (A7035) (magnets: stopped)" in shown) is not is_clear
    assert "Tubing (A7037) (magnets" not in shown
    assert ("Magnetic parts are stopped" in shown) is not is_clear


OPEN = {"not asked": None, "not known": "unknown", "a yes": "yes"}


@pytest.mark.parametrize(
    ("who", "stop"),
    [
        ("desk", "a yes"),
        ("therapist", "a yes"),
        ("desk", "not known"),
        ("manager", "not asked"),
        ("administrator", "not known"),
    ],
)
def test_no_page_about_the_patient_offers_a_magnetic_item_while_they_are_stopped(
    cast: Cast, who: str, stop: str
) -> None:
    """Every address of the resolver that is about a patient, with an item the patient never held."""
    make_item(name="Clasp mask", kind="mask", part_code="A7034", style="nasal", magnetic="yes")
    make_item(name="Doubt mask", kind="mask", part_code="A7034", style="nasal", magnetic="unknown")
    plain = make_item(name="Plain mask", kind="mask", part_code="A7034", style="nasal", magnetic="no")
    person = make_patient(location=cast.north, screened=False)
    make_screen(person, **({"wearer": OPEN[stop]} if OPEN[stop] else {"voided_at": NOW, "void_reason": "x"}))
    dispense = make_dispense(
        person, on=TODAY - timedelta(days=9), lines=[{"part_code": "A7034", "item": plain}]
    )
    event = make_event(person, "pause", until=TODAY)
    plans.refresh_plans([person.pk], now=NOW)
    calendar = feeds.subscribe(person, feeds.Options(), by=None, now=NOW)
    client, offering = as_(cast, who), []
    pages = addresses_of(person, dispense=dispense, event=event, calendar=calendar)
    about = {
        name: url for name, url in pages.items() if name.startswith(("desk:", "therapist:", "stock:back"))
    }
    for name, url in sorted(about.items()):
        answer = client.get(url)
        if answer.status_code == 200 and not answer.streaming:
            page = answer.content.decode(errors="replace")
            offering += [name for item in ("Clasp mask", "Doubt mask") if item in page]
    assert offering == []
    assert "Plain mask" in client.get(pages["desk:dispense"]).content.decode()
