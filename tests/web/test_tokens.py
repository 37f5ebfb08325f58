"""Secrets of patients, calendars and programs: each opens its own person's things, and an ended one nothing.

A run of guesses is slowed and logged, while a good one is answered as ever.
"""

import logging
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from resupply.models import Integration, Patient, PatientRead, StopLink
from resupply.services import doors, feeds, optouts
from resupply.services.doors import LASTS
from resupply.web.access import guessing
from resupply.web.access.guessing import UNKNOWN_TOKENS, Tally
from tests.builders import NOW, make_integration, make_question, make_report
from tests.cast import Cast

UNKNOWN = "u" * 43
PLACES = {"/cal/{}.ics", "/me/{}/", "/ask/{}/", "/stop/{}/"}
TOKEN = "a-token-of-the-north-room-with-enough-letters"


@pytest.fixture(autouse=True)
def at_noon() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


def secrets_of(patient: Patient) -> dict[str, str]:
    """One of each kind, by where it opens something."""
    link = doors.issue(patient, by=None, now=NOW)
    calendar = feeds.subscribe(patient, feeds.Options(), by=None, now=NOW)
    question = make_question(patient)
    stop = optouts.make_links([patient.messages.latest("pk").pk], now=NOW).values()
    return {
        "/cal/{}.ics": calendar.token,
        "/me/{}/": link.token,
        "/ask/{}/": question,
        "/stop/{}/": next(iter(stop)),
    }


def test_a_secret_opens_its_own_page_of_its_own_person_and_nowhere_else(cast: Cast) -> None:
    mine, theirs = secrets_of(cast.odalys), secrets_of(cast.tevin)
    client = Client()
    for place, secret in mine.items():
        answer = client.get(place.format(secret))
        assert answer.status_code == 200, place
        assert b"Tevin" not in answer.content + answer.headers.get("Location", "").encode()
        for other in PLACES - {place}:
            assert client.get(other.format(secret)).status_code == 404, (place, other)
        for broken in (secret[:-1], f"{secret}x", secret.swapcase(), UNKNOWN):
            assert client.get(place.format(broken)).status_code == 404, place
    assert {client.get(place.format(secret)).status_code for place, secret in theirs.items()} == {200}


def test_behind_the_door_no_record_of_another_is_reached(cast: Cast) -> None:
    """Two patients on one tablet: the door of one opens nothing of the other, by whatever id."""
    mine, theirs = secrets_of(cast.odalys), secrets_of(cast.tevin)
    tablet = Client()
    born = {"day": "4", "month": "2", "year": "1961"}
    page = f"/me/{mine['/me/{}/']}/"
    assert tablet.post(page, born).status_code == 302
    assert b"Odalys" in tablet.get(page).content
    assert tablet.get(f"/me/{theirs['/me/{}/']}/month/").status_code == 302
    calendar = cast.tevin.subscriptions.get().public_id
    told = make_report(cast.tevin).public_id
    for answer in (tablet.get(f"{page}calendar/{calendar}/"), tablet.post(f"{page}calendar/{calendar}/")):
        assert (answer.status_code, answer["Location"]) == (302, f"{page}calendar/")  # to the own ones
    assert b"at the left cheek" not in tablet.get(f"{page}told/{told}/", follow=True).content
    assert not PatientRead.objects.filter(kind="own", patients__contains=[cast.tevin.pk]).exclude(
        link__patient=cast.tevin
    )


def test_an_ended_secret_opens_nothing(cast: Cast, at_noon: time_machine.Traveller) -> None:
    secret = secrets_of(cast.odalys)
    client = Client()
    doors.revoke(cast.odalys.links.get(), by=None, now=NOW)
    feeds.revoke(cast.odalys.subscriptions.get(), by=None, now=NOW)
    for place in ("/me/{}/", "/cal/{}.ics"):
        answer = client.get(place.format(secret[place]))
        assert (answer.status_code, b"Odalys" in answer.content) == (410, False), place
    link = doors.issue(cast.odalys, by=None, now=NOW)
    at_noon.shift(LASTS)
    answer = client.get(f"/me/{link.token}/")
    assert (answer.status_code, b"Odalys" in answer.content) == (410, False)


def test_secrets_and_roles_do_not_stand_in_for_each_other(cast: Cast, settings: Any) -> None:
    """A member of staff is asked for the date of birth like anybody; a token is no sign-in of staff."""
    settings.FHIR = True
    make_integration(token=TOKEN, locations=[cast.north])
    secret = secrets_of(cast.odalys)
    staff = Client()
    staff.force_login(cast.administrator.user)
    assert b"When were you born?" in staff.get(f"/me/{secret['/me/{}/']}/").content
    assert staff.get(f"/fhir/Patient/{cast.odalys.public_id}").status_code == 401
    bearer = {"Authorization": f"Bearer {TOKEN}"}
    page = reverse("desk:patient", args=[cast.odalys.public_id])
    assert Client().get(page, headers=bearer).status_code == 302
    assert Client().get(f"/fhir/Patient/{cast.odalys.public_id}", headers=bearer).status_code == 200
    assert Client().get(f"/fhir/Patient/{cast.tevin.public_id}", headers=bearer).status_code == 404
    for wrong in (secret["/me/{}/"], secret["/cal/{}.ics"], UNKNOWN):
        answer = Client().get("/fhir/Patient", headers={"Authorization": f"Bearer {wrong}"})
        assert answer.status_code == 401
    Integration.objects.update(ended_at=NOW, ended_by=cast.administrator.user)
    assert Client().get("/fhir/Patient", headers=bearer).status_code == 401


def test_a_run_of_guesses_waits_and_is_logged_and_a_good_token_does_not(
    cast: Cast, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    waits: list[float] = []
    monkeypatch.setattr(guessing.time, "sleep", waits.append)
    secret = secrets_of(cast.odalys)
    client = Client()
    good = f"/cal/{secret['/cal/{}.ics']}.ics"
    with caplog.at_level(logging.WARNING, logger="resupply"):
        for number in range(UNKNOWN_TOKENS.most):
            assert client.get(f"/cal/{number:043}.ics").status_code == 404
        assert (waits, "token guessing" in caplog.text) == ([], False)
        for number in range(2):
            assert client.get(f"/me/secret-guess-{number}/").status_code == 404
    assert waits == [guessing.HOLD_S] * 2
    assert caplog.text.count("token guessing: 21 unknown tokens") == 1
    assert "127.0.0.1" in caplog.text
    assert "secret-guess" not in caplog.text
    for place, mine in secret.items():
        assert client.get(place.format(mine)).status_code == 200
    assert client.get(good).status_code == 200
    assert len(waits) == 2  # none of the good ones waited

    monkeypatch.setattr(guessing, "_HELD", guessing.threading.BoundedSemaphore(1))
    with guessing._HELD:  # as many wait as may: nobody else's thread is taken
        answer = client.get(f"/cal/{UNKNOWN}.ics")
        assert (answer.status_code, int(answer["Retry-After"])) == (429, UNKNOWN_TOKENS.seconds)
        assert client.get(good).status_code == 200
    assert client.get(f"/cal/{UNKNOWN}.ics", REMOTE_ADDR="192.0.2.7").status_code == 404  # another address


def test_an_ended_calendar_that_is_asked_for_again_and_again_is_no_guess(cast: Cast) -> None:
    calendar = feeds.subscribe(cast.odalys, feeds.Options(), by=None, now=NOW)
    feeds.revoke(calendar.subscription, by=None, now=NOW)
    for _ in range(3):
        assert Client().get(f"/cal/{calendar.token}.ics").status_code == 410
    assert UNKNOWN_TOKENS.add("127.0.0.1") == 1


def test_without_a_cache_nothing_is_counted_and_all_is_answered(settings: Any) -> None:
    settings.CACHES = {
        "default": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": "redis://127.0.0.1:1/0",
        }
    }
    tally = Tally("test", most=1, seconds=60)
    assert (tally.add("x"), tally.is_full("x")) == (0, False)


def test_looking_up_is_the_same_work_for_an_unknown_and_a_revoked_token(
    cast: Cast, django_assert_num_queries: Any
) -> None:
    """One look-up by the hash's unique index, whatever becomes of it: no byte of a token is compared."""
    calendar = feeds.subscribe(cast.odalys, feeds.Options(), by=None, now=NOW)
    feeds.revoke(calendar.subscription, by=None, now=NOW)
    for token, status in ((UNKNOWN, 404), (calendar.token, 410)):
        with django_assert_num_queries(1) as done:
            assert Client().get(f"/cal/{token}.ics").status_code == status
        assert token not in done.captured_queries[0]["sql"]
    assert StopLink._meta.get_field("token_hash").unique
