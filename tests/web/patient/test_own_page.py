"""A patient's own page: who gets in, what is shown, what is recorded, and what can be taken back."""

import logging
import re
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clinic.logs import ScrubbingFormatter
from resupply.models import (
    CleaningTick,
    Door,
    Event,
    MagnetScreen,
    Patient,
    PatientReport,
    RefillAnswer,
    RefillQuestion,
    Subscription,
)
from resupply.queries import screening
from resupply.rules.magnets import Reason, verdict
from resupply.services import doors, feeds, plans, questions
from resupply.services.doors import IssuedLink
from resupply.services.feeds import Options
from resupply.web.access import OPEN_VIEWS
from resupply.web.patient import page_urls
from resupply.web.patient.forms import CALENDAR_CHOICES
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_event,
    make_patient,
    make_question,
    make_report,
    make_staff,
)

pytestmark = pytest.mark.django_db
BORN = {"month": "2", "day": "4", "year": "1961"}
WRONG = {"month": "2", "day": "4", "year": "1962"}


@pytest.fixture(autouse=True)
def at_noon() -> Iterator[time_machine.Traveller]:
    """2026-03-18, the suite's day, until a test moves on."""
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def patient() -> Patient:
    """Two cushions and a chamber since 2026-03-01, tubing long past its date."""
    found = make_patient(given_name="Odalys")
    make_dispense(found, on=date(2026, 3, 1), lines=[{"quantity": 2}, {"part_code": "A7046"}])
    make_dispense(found, on=date(2025, 6, 1), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([found.pk], now=NOW)
    return found


@pytest.fixture
def issued(patient: Patient) -> IssuedLink:
    return doors.issue(patient, by=None, now=NOW)


def at(issued: IssuedLink, name: str = "page", *args: object) -> str:
    return reverse(f"me:{name}", args=[issued.token, *args])


@pytest.fixture
def inside(issued: IssuedLink, client: Client) -> Client:
    """A device on which the date of birth was given."""
    assert client.post(at(issued), BORN).status_code == 302
    return client


# --- who gets in ---


def test_the_date_of_birth_opens_the_page_once_a_device(issued: IssuedLink, client: Client) -> None:
    asked = client.get(at(issued))
    assert asked.status_code == 200
    assert "When were you born?" in asked.text
    assert "Odalys" not in asked.text
    opened = client.post(at(issued), BORN)
    assert (opened.status_code, opened["Location"]) == (302, at(issued))
    assert "Good morning, Odalys" in client.get(at(issued)).text
    assert "Good morning, Odalys" not in Client().get(at(issued)).text


def test_every_view_has_the_gate_and_is_open_by_name() -> None:
    for one in page_urls.urlpatterns:
        assert getattr(one.callback, "has_own_gate", False), one.name
        assert f"me:{one.name}" in OPEN_VIEWS


def test_a_door_opens_its_own_link_only(inside: Client, issued: IssuedLink) -> None:
    """Another patient of the same birth date, on the same device: asked again."""
    other = make_patient(given_name="Tevin")
    link = doors.issue(other, by=None, now=NOW)
    page = inside.get(at(link))
    assert "When were you born?" in page.text
    assert inside.get(at(link, "month")).status_code == 302
    inside.post(at(link, "report", "leak"), {"note": "x"})
    assert not PatientReport.objects.exists()
    inside.post(at(link), BORN)
    assert "Good morning, Tevin" in inside.get(at(link)).text
    assert "Good morning, Odalys" in inside.get(at(issued)).text  # both stay open on a shared tablet


def test_a_record_of_somebody_else_is_neither_shown_nor_undone(inside: Client, issued: IssuedLink) -> None:
    theirs = make_report(make_patient())
    assert inside.get(at(issued, "told", theirs.public_id)).status_code == 302
    answer = inside.post(at(issued, "undo", "report"), {"record": theirs.public_id})
    assert answer.status_code == 409
    theirs.refresh_from_db()
    assert not theirs.is_voided


def test_unknown_expired_and_revoked_read_the_same(
    issued: IssuedLink, inside: Client, at_noon: time_machine.Traveller
) -> None:
    unknown = inside.get(f"/me/{'u' * 43}/")
    at_noon.move_to(NOW + doors.LASTS)
    expired = inside.get(at(issued))
    at_noon.move_to(NOW)
    doors.revoke(issued.link, by=None, now=NOW)
    revoked = inside.get(at(issued))
    assert [page.status_code for page in (unknown, expired, revoked)] == [404, 410, 410]
    assert unknown.content == expired.content == revoked.content
    for page in (unknown, expired, revoked):
        assert "This link does not work" in page.text
        assert "Este enlace no funciona" in page.text
        assert "Odalys" not in page.text
    for name in ("month", "pause", "calendar", "implant"):
        assert inside.get(at(issued, name)).status_code == 410
        assert inside.post(at(issued, name)).status_code == 410


@pytest.mark.parametrize("token", ["x", "A" * 5000, "%00", "%F0%9F%98%80", "'; drop table", "%ED%A0%80"])
def test_odd_tokens_are_unknown(issued: IssuedLink, client: Client, token: str) -> None:
    assert client.get(f"/me/{token}/").status_code == 404


def test_a_renewed_link_closes_every_device(issued: IssuedLink, inside: Client) -> None:
    renewed = doors.renew(issued.link, by=None, now=NOW)
    assert inside.get(at(issued)).status_code == 410
    assert "When were you born?" in inside.get(at(renewed)).text


@pytest.mark.parametrize(
    "typed",
    [WRONG, {}, {"month": "13", "day": "40", "year": "x"}, {"month": "²", "day": "4", "year": "1961"}],
)
def test_a_wrong_date_opens_nothing(issued: IssuedLink, client: Client, typed: dict[str, str]) -> None:
    answer = client.post(at(issued), typed)
    assert answer.status_code == 422
    assert "That date is not the one we have." in answer.text
    assert not Door.objects.exists()
    assert client.post(at(issued), BORN).status_code == 302


def test_five_wrong_dates_lock_the_link_for_an_hour(
    issued: IssuedLink, inside: Client, at_noon: time_machine.Traveller
) -> None:
    """Whatever devices they come from; who is in already stays in."""
    statuses = [Client().post(at(issued), WRONG).status_code for _ in range(5)]
    assert statuses == [422, 422, 422, 422, 429]
    stranger = Client()
    for answer in (stranger.get(at(issued)), stranger.post(at(issued), BORN)):
        assert answer.status_code == 429
        assert answer["Retry-After"] == "3600"
        assert "Nothing is lost." in answer.text
    assert "Odalys" in inside.get(at(issued)).text
    at_noon.move_to(NOW + timedelta(minutes=59))
    assert stranger.post(at(issued), BORN).status_code == 429
    at_noon.move_to(NOW + timedelta(minutes=60))
    assert stranger.post(at(issued), BORN).status_code == 302


def test_forms_need_their_token_against_forgery(issued: IssuedLink, patient: Patient) -> None:
    client = Client(enforce_csrf_checks=True)
    assert client.post(at(issued), BORN).status_code == 403
    page = client.get(at(issued))
    assert page["Referrer-Policy"] == "strict-origin"  # with no-referrer, Origin would be null and refused
    token = client.cookies["csrftoken"].value
    sent = BORN | {"csrfmiddlewaretoken": token}
    assert client.post(at(issued), sent, headers={"origin": "null"}).status_code == 403
    with override_settings(ALLOWED_HOSTS=["testserver"]):
        assert client.post(at(issued), sent, headers={"origin": "http://testserver"}).status_code == 302


def test_no_copy_is_kept_and_the_cookie_is_for_this_room(issued: IssuedLink, client: Client) -> None:
    for answer in (client.get(at(issued)), client.post(at(issued), BORN), client.get(at(issued))):
        assert answer["Cache-Control"] == "no-store"
        assert answer["X-Robots-Tag"] == "noindex, nofollow"
        assert answer["Referrer-Policy"] == "strict-origin"
    cookie = client.cookies[f"own-page-{issued.link.public_id.hex[:12]}"]
    assert (cookie["path"], cookie["httponly"], cookie["samesite"]) == ("/me/", True, "Lax")
    assert issued.token not in str(cookie)
    assert "sessionid" not in client.cookies


def test_the_secret_is_in_no_log_line_and_in_no_history(
    issued: IssuedLink, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    client = Client()
    client.get(at(issued, "tick"))
    client.post(at(issued), WRONG)
    client.post(at(issued), BORN)
    client.get(at(issued, "tick"))  # 405
    client.post(at(issued, "pause"), {"note": "at my sister's"})
    client.post(at(issued, "undo", "report"), {"record": "x"})
    client.get(f"/me/{issued.token}/nothing/here/")
    Client(enforce_csrf_checks=True).post(at(issued), BORN)
    doors.revoke(issued.link, by=None, now=NOW)
    client.get(at(issued))
    formatter = ScrubbingFormatter()
    lines = "\n".join(
        formatter.format(record) for record in caplog.records if not record.name.startswith("django.db")
    )
    assert "/me/[secret]" in lines
    assert issued.token not in lines
    with connection.cursor() as cursor:
        cursor.execute("SELECT string_agg(metadata::text, ' ') FROM pghistory_context")
        (stored,) = cursor.fetchone()
    assert "/me/[secret]" in stored
    assert issued.token not in stored
    assert issued.token not in issued.link.token_hash


# --- what is shown ---


def test_page_shows_cleaning_coming_parts_and_whom_to_call(inside: Client, issued: IssuedLink) -> None:
    location = issued.link.patient.location
    location.phone = "+1 303 555 0199"
    location.save()
    page = inside.get(at(issued)).text
    assert "Wash or wipe the cushion" in page
    assert "Use warm water and mild soap." in page
    assert "Part change: cushion." in page
    assert "Past their date: tubing." in page
    assert "Go on with your therapy as prescribed." in page
    assert "Do not use an ozone or UV cleaning machine." in page
    assert 'href="tel:+1 303 555 0199"' in page
    assert "Next weekly wash: Sunday 22 March." in page


def test_in_spanish_nothing_is_left_in_english(inside: Client, issued: IssuedLink) -> None:
    inside.post(at(issued, "language"), {"language": "es"})
    page = inside.get(at(issued)).text
    assert '<html lang="es">' in page
    assert "Buenos días, Odalys" in page
    assert "miércoles 18 de marzo" in page
    shown = re.sub(r"<[^>]+>", " ", page)
    for english in ("Today", "today", "Done", "spare", " Mar ", "Change", "How to", "Skip", "For reminders"):
        assert english not in shown, english
    inside.post(at(issued, "language"), {"language": "xx"})
    assert "Buenos días" in inside.get(at(issued)).text


def test_whoever_is_not_on_therapy_sees_no_plan(inside: Client, issued: IssuedLink) -> None:
    Patient.objects.update(status="ended")
    page = inside.get(at(issued)).text
    assert "We have no plan for you right now." in page
    assert "cushion" not in page
    Patient.objects.update(status="withdrawn")
    assert inside.get(at(issued)).status_code == 404


def test_as_many_queries_for_many_parts_and_ticks_as_for_one(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    def queries(name: str) -> int:
        with CaptureQueriesContext(
            connection,
        ) as found:
            assert inside.get(at(issued, name)).status_code == 200
        return len(found)

    inside.get(at(issued))
    few = {name: queries(name) for name in ("page", "month", "calendar")}
    codes = ("A7034", "A7035", "A7036", "A7038", "A7039", "A7029")
    make_dispense(patient, on=TODAY, lines=[{"part_code": code, "quantity": 3} for code in codes])
    plans.refresh_plans([patient.pk], now=NOW)
    for days in range(15):
        CleaningTick.objects.create(patient=patient, day=TODAY - timedelta(days), task="wash_cushion")
    assert {name: queries(name) for name in few} == few
    assert few["page"] <= 13


# --- what is recorded ---


def tick(client: Client, issued: IssuedLink, task: str, **more: str) -> Any:
    return client.post(at(issued, "tick"), {"task": task} | more)


def test_a_task_is_ticked_off_once_and_undone_by_a_void(inside: Client, issued: IssuedLink) -> None:
    for _ in range(2):
        assert tick(inside, issued, "wash_cushion")["Location"].endswith("#cleaning")
    row = CleaningTick.objects.get()
    assert (row.day, row.task, row.recorded_by) == (TODAY, "wash_cushion", None)
    assert "All done" not in inside.get(at(issued)).text
    tick(inside, issued, "empty_chamber")
    assert "All done for today. Thank you." in inside.get(at(issued)).text
    tick(inside, issued, "wash_cushion", undo="1")
    row.refresh_from_db()
    assert row.void_reason == "undone by the patient on the own page"
    tick(inside, issued, "wash_cushion")
    assert CleaningTick.objects.filter(task="wash_cushion").count() == 2


@pytest.mark.parametrize("task", ["", "wash_tubing", "wash_before_first_use", "no such task"])
def test_what_is_not_on_the_list_is_not_ticked(inside: Client, issued: IssuedLink, task: str) -> None:
    assert tick(inside, issued, task).status_code == 302
    assert not CleaningTick.objects.exists()


def test_a_new_part_and_an_illness_add_washes(
    inside: Client, issued: IssuedLink, at_noon: time_machine.Traveller
) -> None:
    assert "Wash the tubing" not in inside.get(at(issued)).text  # a weekly task, not on a Wednesday
    told = inside.post(at(issued, "report", "ill"), follow=True)
    assert "We added a wash to today&#x27;s list." in told.text
    page = inside.get(at(issued)).text
    assert "Wash the tubing <small>(one more time, as you were ill)</small>" in page
    tick(inside, issued, "wash_tubing")
    assert CleaningTick.objects.get().task == "wash_tubing"
    at_noon.move_to(NOW + timedelta(days=14))  # 2026-04-01: the spare cushion starts
    page = inside.get(at(issued)).text
    assert "Wash before first use <small>(new: cushion)</small>" in page
    assert "one more time" not in page


def test_the_month_tells_done_from_open_without_scolding(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    for day, tasks in ((16, ["wash_cushion", "empty_chamber"]), (17, ["wash_cushion"])):
        for task in tasks:
            CleaningTick.objects.create(patient=patient, day=date(2026, 3, day), task=task)
    page = inside.get(at(issued, "month"))
    states = {cell[0].day: cell[1] for week in page.context["weeks"] for cell in week if cell}
    assert (states[15], states[16], states[17], states[18], states[31]) == (
        "none", "all", "some", "ahead", "ahead",
    )  # fmt: skip
    assert "Days with all tasks ticked: 1." in page.text
    for harsh in ("missed", "fail", "forgot", "must"):
        assert harsh not in page.text.lower()
    assert inside.get(at(issued, "month") + "?m=2031-01").context["title"] == "Cleaning in March 2026"
    assert inside.get(at(issued, "month") + "?m=nonsense").status_code == 200


def test_the_days_of_cleaning_are_chosen_and_changed_back(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    done = inside.post(at(issued, "days"), {"weekday": "2", "month_day": "31"})
    assert "Your wash days are: Wednesday, and day 31 of the month." in done.text
    assert "Wash the tubing" in inside.get(at(issued)).text
    inside.post(at(issued, "undo", "days"), done.context["values"])
    patient.refresh_from_db()
    assert (patient.cleaning_weekday, patient.cleaning_month_day) == (6, 1)
    assert inside.post(at(issued, "days"), {"weekday": "7", "month_day": "0"}).status_code == 422
    for bad in ({"weekday": "9", "month_day": "1"}, {"weekday": "x"}, {}):
        assert inside.post(at(issued, "undo", "days"), bad).status_code == 409


def test_not_in_use_pauses_and_asks_for_a_person_and_can_be_undone(
    inside: Client, issued: IssuedLink
) -> None:
    done = inside.post(at(issued, "pause"), {"note": "in hospital"}, follow=True)
    assert "Your dates are on hold. We will call you." in done.text
    row = PatientReport.objects.get()
    assert row.event is not None
    assert (row.told, row.note, row.event.on, row.event.until) == ("unused", "in hospital", TODAY, None)
    assert row.event.by_patient
    page = inside.get(at(issued)).text
    assert "On pause since Wednesday 18 March." in page
    assert "Wash or wipe the cushion" not in page
    assert inside.post(at(issued, "pause"), {}).status_code == 422  # once is enough
    inside.post(at(issued, "undo", "report"), {"record": row.public_id})
    row.event.refresh_from_db()
    row.refresh_from_db()
    assert row.is_voided
    assert row.event.is_voided
    assert "Wash or wipe the cushion" in inside.get(at(issued)).text


def test_in_use_again_ends_the_pause_and_can_be_undone(
    inside: Client, issued: IssuedLink, at_noon: time_machine.Traveller
) -> None:
    inside.post(at(issued, "pause"), {"note": ""})
    at_noon.move_to(NOW + timedelta(days=5))
    done = inside.post(at(issued, "again"))
    assert "Your dates go on from today." in done.text
    ended = Event.objects.get(voided_at=None)
    assert (ended.on, ended.until) == (TODAY, TODAY + timedelta(days=5))
    inside.post(at(issued, "undo", "again"))
    assert Event.objects.filter(voided_at=None, until=None).get().on == TODAY + timedelta(days=5)
    assert "On pause" in inside.get(at(issued)).text
    inside.post(at(issued, "again"))  # on the day the pause began: as if it had not
    assert not Event.objects.filter(voided_at=None, until=None).exists()
    assert inside.post(at(issued, "again")).status_code == 422


def test_a_part_change_counts_and_can_be_undone(inside: Client, issued: IssuedLink) -> None:
    done = inside.post(at(issued, "changed"), {"kind": "cushion"}, follow=True)
    assert "We set the next date from today: cushion." in done.text
    swap = Event.objects.get()
    assert (swap.event, swap.kind, swap.on, swap.by_patient) == ("swap", "cushion", TODAY, True)
    assert not PatientReport.objects.exists()
    again = inside.post(at(issued, "changed"), {"kind": "cushion"})
    assert again.status_code == 422
    assert "We have this on record for today." in again.text
    inside.post(at(issued, "undo", "change"), {"record": swap.public_id})
    swap.refresh_from_db()
    assert swap.is_voided


def test_a_part_change_without_a_spare_is_kept_for_a_person(inside: Client, issued: IssuedLink) -> None:
    done = inside.post(at(issued, "changed"), {"kind": "tubing"}, follow=True)
    assert "so a person will look at it: tubing." in done.text
    row = PatientReport.objects.get()
    assert row.event is not None
    assert (row.told, row.kind, row.event.kind) == ("changed", "tubing", "tubing")
    inside.post(at(issued, "undo", "report"), {"record": row.public_id})
    assert not Event.objects.filter(voided_at=None).exists()


@pytest.mark.parametrize("kind", ["", "mask", "no such part"])
def test_only_parts_on_record_can_be_changed(inside: Client, issued: IssuedLink, kind: str) -> None:
    answer = inside.post(at(issued, "changed"), {"kind": kind})
    assert answer.status_code == 422
    assert "Please choose one." in answer.text
    assert not Event.objects.exists()


@pytest.mark.parametrize("what", ["leak", "sore"])
def test_a_leak_or_sore_spot_is_kept_with_its_note(inside: Client, issued: IssuedLink, what: str) -> None:
    done = inside.post(at(issued, "report", what), {"note": "  left cheek  "}, follow=True)
    assert "Somebody from the clinic will call you." in done.text
    row = PatientReport.objects.get()
    assert (row.told, row.note, row.on, row.recorded_by) == (what, "left cheek", TODAY, None)
    long = inside.post(at(issued, "report", what), {"note": "x" * 501})
    assert long.status_code == 422
    assert "x" * 501 in long.text
    assert PatientReport.objects.count() == 1


def test_what_somebody_has_seen_to_or_is_a_day_old_is_not_undone(
    inside: Client, issued: IssuedLink, patient: Patient, at_noon: time_machine.Traveller
) -> None:
    seen = make_report(patient, handled_at=NOW, handled_note="called")
    old = make_report(patient)
    assert inside.post(at(issued, "undo", "report"), {"record": seen.public_id}).status_code == 409
    at_noon.move_to(NOW + timedelta(days=1, seconds=1))
    assert inside.post(at(issued, "undo", "report"), {"record": old.public_id}).status_code == 409
    assert not PatientReport.objects.filter(voided_at__isnull=False).exists()


@pytest.mark.parametrize(("person", "other"), [("wearer", "close_contact"), ("close_contact", "wearer")])
def test_an_implant_stops_magnets_at_once(
    inside: Client, issued: IssuedLink, patient: Patient, person: str, other: str
) -> None:
    done = inside.post(at(issued, "implant"), {"person": person, "implant": "pacemaker"}, follow=True)
    screen = MagnetScreen.objects.latest("pk")
    assert (getattr(screen, person), getattr(screen, other), screen.by_patient) == ("yes", "unknown", True)
    assert verdict(screening.newest_screen(patient.pk), as_of=TODAY).reason is Reason.YES
    assert "We give you no parts with magnets from now on." in done.text
    assert "at least 16 cm (6 inches)" in done.text  # the largest figure a regulator gives (TGA)
    assert "do not give up your therapy on your own" in done.text
    assert "Therapeutic Goods Administration" in done.text
    assert "Undo this" not in done.text


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"person": "wearer"},
        {"implant": "pacemaker"},
        {"person": "wearer", "implant": "cataract_lens"},
        {"person": "cat", "implant": "pacemaker"},
    ],
)
def test_half_an_implant_report_is_asked_for_again(
    inside: Client, issued: IssuedLink, sent: dict[str, str]
) -> None:
    before = MagnetScreen.objects.count()
    answer = inside.post(at(issued, "implant"), sent)
    assert answer.status_code == 422
    assert "Please choose one." in answer.text
    assert MagnetScreen.objects.count() == before


CHOSEN = {"with_changes": "on", "with_daily": "on", "detailed": "no", "alarm_hour": "8"}


def fetched(client: Client, address: str) -> int:
    """The status of a calendar's address as it is shown: the whole of it."""
    return client.get(address.removeprefix("http://127.0.0.1:8000")).status_code


def test_a_calendar_link_is_made_shown_once_and_read(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    start = inside.get(at(issued, "calendar")).text
    assert start.index("stores what it fetches") < start.index("Make a calendar link")
    made = inside.post(at(issued, "calendar"), CHOSEN)
    address = made.context["address"]
    order = [made.text.index(one) for one in (f'readonly value="{address}"', 'href="webcal://', 'class="qr"')]
    assert order == sorted(order)
    row = Subscription.objects.get()
    assert feeds.options_of(row) == Options(
        with_refills=False, with_weekly=False, with_monthly=False, alarm_hour=8
    )
    assert row.created_by is None
    page = inside.get(at(issued, "calendar")).text
    assert address not in page
    assert "Part changes · Daily cleaning · Alarm at 8 am" in page
    assert "not read yet" in page
    assert "Not read yet." in inside.get(at(issued)).text
    assert fetched(inside, address) == 200
    assert "last read Wednesday 18 March" in inside.get(at(issued, "calendar")).text
    assert "Last read Wednesday 18 March." in inside.get(at(issued)).text


def test_a_calendar_is_changed_at_the_same_address(inside: Client, issued: IssuedLink) -> None:
    made = inside.post(at(issued, "calendar"), CHOSEN).context["address"]
    row = Subscription.objects.get()
    before = inside.get(made.removeprefix("http://127.0.0.1:8000")).text
    change = at(issued, "calendar_change", row.public_id)
    form = inside.get(change).context["form"]
    assert {name for name in CALENDAR_CHOICES if form[name].value()} == {"with_changes", "with_daily"}
    assert (form["detailed"].value(), form["alarm_hour"].value()) == ("no", 8)
    done = inside.post(change, {"with_monthly": "on", "detailed": "yes", "alarm_hour": ""})
    assert "Saved." in done.text
    row.refresh_from_db()
    assert (row.with_changes, row.with_daily, row.with_monthly, row.detailed) == (False, False, True, True)
    assert row.alarm_hour is None
    after = inside.get(made.removeprefix("http://127.0.0.1:8000")).text
    assert ("Daily care" in before, "BEGIN:VALARM" in before) == (True, True)
    assert ("Daily" in after, "Monthly cleaning" in after, "VALARM" in after) == (False, True, False)
    nothing = inside.post(change, {"detailed": "no"})
    assert (nothing.status_code, "Choose at least one thing to show." in nothing.text) == (422, True)


def test_a_calendar_is_renewed_and_ended(inside: Client, issued: IssuedLink, patient: Patient) -> None:
    first = inside.post(at(issued, "calendar"), CHOSEN).context["address"]
    row = Subscription.objects.get()
    second = inside.post(at(issued, "calendar_change", row.public_id), {"renew": "1"}).context["address"]
    assert [fetched(inside, one) for one in (first, second)] == [410, 200]
    assert inside.get(at(issued, "calendar_change", row.public_id))["Location"] == at(issued, "calendar")
    theirs = feeds.subscribe(make_patient(), Options(), by=None, now=NOW).subscription
    for mine in (theirs, Subscription.objects.get(patient=patient, revoked_at=None)):
        inside.post(at(issued, "calendar_change", mine.public_id), {"end": "1"})
    theirs.refresh_from_db()
    assert theirs.revoked_at is None
    assert fetched(inside, second) == 410
    assert "Links in use" not in inside.get(at(issued, "calendar")).text


def test_a_calendar_of_nothing_and_one_too_many_are_refused(inside: Client, issued: IssuedLink) -> None:
    nothing = inside.post(at(issued, "calendar"), {"detailed": "no"})
    assert (nothing.status_code, "Choose at least one thing to show." in nothing.text) == (422, True)
    statuses = [inside.post(at(issued, "calendar"), CHOSEN).status_code for _ in range(6)]
    assert statuses == [200] * 5 + [422]
    assert Subscription.objects.count() == 5


# --- the refill question ---


def ask(patient: Patient) -> RefillQuestion:
    make_question(patient, parts=[{"kind": "tubing", "part_code": "A7037"}])
    return RefillQuestion.objects.latest("pk")


YES = {"wish": "yes", "using": "yes", "reason": "worn", "handover": "collect", "want-tubing": "yes"}


def test_an_open_question_stands_first_and_is_answered_without_its_link(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    assert "Do you need new parts?" not in inside.get(at(issued)).text
    assert inside.get(at(issued, "question"))["Location"] == at(issued)
    question = ask(patient)
    page = inside.get(at(issued)).text
    assert page.index("We ask about: tubing.") < page.index("Today&#x27;s cleaning")
    form = inside.get(at(issued, "question"))
    assert "Are you still using your equipment?" in form.text
    inside.head(at(issued, "question"))
    assert not RefillAnswer.objects.exists()
    key = form.context["form"]["form_key"].value()
    assert inside.post(at(issued, "question"), YES | {"form_key": key})["Location"] == at(issued, "question")
    answer = RefillAnswer.objects.get()
    question.refresh_from_db()
    assert (answer.channel, answer.wish, question.state, question.answer) == (
        "page", "yes", "answered", answer,
    )  # fmt: skip
    assert "You said yes to:" in inside.get(at(issued, "question")).text
    assert "We have your answer of Wednesday 18 March." in inside.get(at(issued)).text
    assert "change=1" in inside.get(at(issued, "question")).text
    inside.post(at(issued, "question"), {"wish": "stop"})
    inside.post(at(issued, "question"), {"wish": "undo"})
    assert [one.wish for one in RefillAnswer.objects.filter(voided_at=None)] == ["yes"]


def test_a_question_needs_an_open_door_and_a_token_against_forgery(
    issued: IssuedLink, patient: Patient
) -> None:
    ask(patient)
    client = Client(enforce_csrf_checks=True)
    assert client.get(at(issued, "question"))["Location"] == at(issued)
    client.get(at(issued))
    token = {"csrfmiddlewaretoken": client.cookies["csrftoken"].value}
    assert client.post(at(issued, "question"), YES | token).status_code == 302
    client.post(at(issued), BORN | token)
    assert client.post(at(issued, "question"), YES).status_code == 403
    assert not RefillAnswer.objects.exists()
    assert client.post(at(issued, "question"), YES | token | {"form_key": uuid4()}).status_code == 302
    assert RefillAnswer.objects.exists()


def test_a_withdrawn_question_is_not_shown(inside: Client, issued: IssuedLink, patient: Patient) -> None:
    questions.withdraw(ask(patient), reason="asked by phone", by=None, now=NOW)
    assert "Do you need new parts?" not in inside.get(at(issued)).text
    assert inside.get(at(issued, "question"))["Location"] == at(issued)


# --- what staff see ---


def test_staff_see_every_page_that_the_patient_sees_marked_and_can_send_nothing(
    issued: IssuedLink, patient: Patient
) -> None:
    """Each own page that a GET shows, from the resolver, so that none is forgotten."""
    ask(patient)
    calendar = feeds.subscribe(patient, Options(), by=None, now=NOW).subscription
    swap = make_event(patient, "swap", on=TODAY, by_patient=True)
    arguments = {
        "calendar_change": [calendar.public_id],
        "told": [make_report(patient).public_id],
        "changed_done": [swap.public_id],
        "report": ["leak"],
    }
    client = Client()
    client.force_login(make_staff("desk").user)
    start = reverse("desk:own_page", args=[patient.public_id])
    seen = set()
    for one in page_urls.urlpatterns:
        name = str(one.name)
        if name in ("tick", "language", "undo"):  # they only take
            continue
        rest = reverse(f"me:{name}", args=["-", *arguments.get(name, [])]).removeprefix("/me/-/")
        page = client.get(f"{start}{rest}?language=es")
        assert page.status_code == 200, name
        assert "You are looking as staff." in page.text, name
        assert f"This is what {patient.name} sees." in page.text
        assert "The Spanish wording has not been approved" in page.text
        assert '<html lang="es">' in page.text, name
        assert not re.findall(r"<button[^>]*type=.submit.(?![^>]*disabled)[^>]*>", page.text), name
        assert "/me/" not in page.text, name
        for way in re.findall(r'href="([^"]+own-page[^"]*)"', page.text):
            assert "language=es" in way, (name, way)
        assert client.post(f"{start}{rest}").status_code == 405, name
        seen.add(name)
    assert seen > {"page", "calendar", "question", "month", "implant", "days"}
    issued.link.refresh_from_db()
    assert issued.link.last_opened_at is None
    assert "not been approved" not in client.get(start).text
    assert client.get(f"{start}nothing/").status_code == 404
    assert client.get("/me/-/").status_code == 404


def test_the_desk_shows_a_link_once_renews_and_revokes(patient: Patient) -> None:
    client = Client()
    client.force_login(make_staff("desk", username="ines").user)
    address = reverse("desk:link", args=[patient.public_id])
    made = client.post(address)
    first = made.context["address"]
    assert first in made.text
    assert made["Cache-Control"] == "no-store"
    assert 'class="qr"' in made.text
    page = client.get(address)
    assert first not in page.text
    assert "by ines" in page.text
    assert client.post(address).context["form"].errors  # one at a time
    second = client.post(reverse("desk:link_renew", args=[page.context["live"].public_id])).context["address"]
    paths = [one.partition("/me/")[2] for one in (first, second)]
    assert [client.get(f"/me/{path}").status_code for path in paths] == [410, 200]
    live = client.get(address).context["live"]
    assert client.post(reverse("desk:link_revoke", args=[live.public_id])).status_code == 302
    assert client.get(f"/me/{paths[1]}").status_code == 410


def test_reports_reach_the_desk_and_the_therapist_until_seen_to(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    inside.post(at(issued, "report", "sore"), {"note": "bridge of the nose"})
    inside.post(at(issued, "report", "ill"))
    inside.post(at(issued, "changed"), {"kind": "tubing"})
    inside.post(at(issued, "pause"), {"note": "in hospital"})
    staff = Client()
    staff.force_login(make_staff("administrator").user)
    today = staff.get("/").text
    assert "“bridge of the nose”" in today
    assert "Part changed, no spare on record" in today
    assert "Was ill" not in today
    assert "Not using the equipment" in today, "a pause is followed up by a person"
    assert "“in hospital”" in today
    work = staff.get(reverse("therapist:work")).text
    assert "sore spot" in work
    assert "no spare on record" not in work
    assert "not using the equipment" in work.lower()
    row = PatientReport.objects.get(told="sore")
    handled = reverse("desk:report_handled", args=[row.public_id])
    assert staff.post(handled, {"note": ""}).status_code == 422
    assert staff.post(f"{handled}?back=work", {"note": "comes in on Friday"})["Location"] == reverse(
        "therapist:work"
    )
    row.refresh_from_db()
    assert (row.handled_note, row.handled_at) == ("comes in on Friday", NOW)
    assert "bridge of the nose" not in staff.get("/").text
    assert "sore spot" not in staff.get(reverse("therapist:work")).text
    assert staff.post(handled, {"note": "again"}).status_code == 422
