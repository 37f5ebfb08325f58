"""A patient's own page: who gets in, and what is shown."""

import logging
import re
from datetime import date, timedelta

import pytest
import time_machine
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext

from clinic.logs import ScrubbingFormatter
from resupply.models import (
    CleaningTick,
    Door,
    Patient,
    PatientReport,
)
from resupply.services import doors, plans
from resupply.services.doors import IssuedLink
from resupply.web.access import OPEN_VIEWS
from resupply.web.patient import page_urls
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_patient,
    make_report,
)
from tests.web.patient.own import BORN, WRONG, at

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_noon")]


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
    assert stranger.post(at(issued), WRONG).status_code == 422  # the lock is over: a first try
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
    assert 'href="tel:+13035550199"' in page
    assert "Next weekly wash: Sunday 22 March." in page


def test_on_the_day_supply_ends_nothing_is_past_its_date_yet(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    make_dispense(patient, on=date(2025, 12, 18), lines=[{"part_code": "A7037"}])  # tubing, of three months
    plans.refresh_plans([patient.pk], now=NOW)
    page = inside.get(at(issued)).text
    assert "Past their date" not in page
    assert "Reaches its date today" in page
    assert re.search(r"<dt>Wednesday 18 March</dt><dd>You will need new parts: tubing\.</dd>", page)


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
