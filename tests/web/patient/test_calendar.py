"""The calendar address over HTTP: status codes and headers, and a secret that stays out of every log.

References: RFC 9110 (conditional requests, HEAD, 405 with Allow, 410), RFC 5545 (the body; tests/delivery).
"""

import logging
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

import pytest
import redis
import time_machine
from django.core.cache import cache
from django.db import connection, transaction
from django.test import Client, override_settings
from icalendar import Calendar

from clinic.logs import ScrubbingFormatter, scrub
from clinic.processes import WEB
from resupply.models import Patient, PatientStatus, Subscription
from resupply.services import feeds, people, plans
from resupply.services.feeds import Options
from tests.builders import NOW, make_dispense, make_patient, make_staff

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def at_noon() -> Iterator[time_machine.Traveller]:
    """2026-03-18, the suite's day, until a test moves on."""
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def patient() -> Patient:
    """Three cushions on 2026-03-01: the next assumed swap is 2026-04-01."""
    found = make_patient()
    give(found, date(2026, 3, 1), 3)
    return found


def give(patient: Patient, day: date, quantity: int, now: datetime = NOW) -> None:
    """A dispense, as the desk's service leaves it: the plan refreshed."""
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        make_dispense(patient, on=day, lines=[{"quantity": quantity}])
        plans.refresh_plans([patient.pk], now=now)


@pytest.fixture
def issued(patient: Patient) -> feeds.Issued:
    return feeds.subscribe(patient, Options(), by=None, now=NOW)


def address(issued: feeds.Issued) -> str:
    return f"/cal/{issued.token}.ics"


def test_the_feed_and_its_headers(client: Client, issued: feeds.Issued) -> None:
    for answer in (client.get(address(issued)), client.get(address(issued))):  # written, then stored
        assert answer.status_code == 200
        assert answer["Content-Type"] == "text/calendar; charset=utf-8"
        assert answer["Cache-Control"] == "private, no-cache"
        assert answer["X-Robots-Tag"] == "noindex"
        assert answer["Referrer-Policy"] == "no-referrer"
        assert answer["ETag"].startswith('"')
        assert answer["Content-Length"] == str(len(answer.content))
        assert not answer.has_header("Last-Modified")
        assert not answer.has_header("Set-Cookie")
        assert not answer.cookies
        assert "cookie" not in answer.get("Vary", "").lower()
        days = {event["DTSTART"].dt for event in Calendar.from_ical(answer.content).walk("VEVENT")}
        assert date(2026, 4, 1) in days


def test_a_fresh_calendar_costs_one_query_and_a_stale_one_is_written_on_the_spot(
    client: Client, issued: feeds.Issued, patient: Patient, django_assert_num_queries: Any
) -> None:
    first = client.get(address(issued))
    with django_assert_num_queries(1):
        assert client.get(address(issued)).content == first.content
    with django_assert_num_queries(1):
        assert client.get(address(issued), headers={"if-none-match": first["ETag"]}).status_code == 304
    give(patient, date(2026, 3, 17), 1)
    after = client.get(address(issued))
    assert after["ETag"] != first["ETag"]
    assert after.content != first.content
    with django_assert_num_queries(1):
        assert client.get(address(issued))["ETag"] == after["ETag"]


@pytest.mark.parametrize("form", ["{}", "W/{}", '"other", {}', "*"])
def test_who_has_the_feed_is_told_so(client: Client, issued: feeds.Issued, form: str) -> None:
    etag = client.get(address(issued))["ETag"]
    answer = client.get(address(issued), headers={"if-none-match": form.format(etag)})
    assert (answer.status_code, answer.content) == (304, b"")
    assert answer["ETag"] == etag
    assert answer["Cache-Control"] == "private, no-cache"
    assert not answer.cookies


def test_a_change_is_sent_to_who_had_the_feed_before(
    client: Client, issued: feeds.Issued, patient: Patient
) -> None:
    etag = client.get(address(issued))["ETag"]
    give(patient, date(2026, 3, 17), 1)
    assert client.get(address(issued), headers={"if-none-match": etag}).status_code == 200


def test_head_says_what_get_would(client: Client, issued: feeds.Issued) -> None:
    full = client.get(address(issued))
    head = client.head(address(issued))
    assert (head.status_code, head.content) == (200, b"")
    own = {"X-Request-ID"}  # every request has its own
    assert {*head.items()} ^ {*full.items()} <= {(name, r[name]) for r in (head, full) for name in own}
    assert client.head(address(issued), headers={"if-none-match": full["ETag"]}).status_code == 304


@pytest.mark.parametrize(
    "token", ["x", "A" * 43, "A" * 5000, "%00", "%F0%9F%98%80", "..%2F..", "'; drop table", "%ED%A0%80"]
)
def test_an_unknown_address_is_not_found(client: Client, issued: feeds.Issued, token: str) -> None:
    answer = client.get(f"/cal/{token}.ics")
    assert answer.status_code == 404
    assert not answer.cookies


def test_case_and_length_of_a_token_matter(client: Client, issued: feeds.Issued) -> None:
    token = issued.token
    other_case = token.swapcase()
    assert client.get(f"/cal/{other_case}.ics").status_code == 404
    assert client.get(f"/cal/{token[:-1]}.ics").status_code == 404
    assert client.get(f"/cal/{token}A.ics").status_code == 404
    assert client.get(f"/cal/{token}.ics").status_code == 200


def test_a_revoked_or_renewed_address_is_gone_for_good(client: Client, issued: feeds.Issued) -> None:
    client.get(address(issued))
    renewed = feeds.renew(issued.subscription, by=None, now=NOW)
    assert client.get(address(issued)).status_code == 410
    assert client.get(address(issued), headers={"if-none-match": "*"}).status_code == 410
    assert client.get(address(renewed)).status_code == 200
    feeds.revoke(renewed.subscription, by=None, now=NOW)
    assert client.get(address(renewed)).status_code == 410


@pytest.mark.parametrize("method", ["post", "put", "delete", "patch", "options"])
def test_a_calendar_can_only_be_read(issued: feeds.Issued, method: str) -> None:
    answer = getattr(Client(enforce_csrf_checks=True), method)(address(issued))
    assert answer.status_code == 405
    assert answer["Allow"] == "GET, HEAD"


def test_a_signed_in_browser_gets_no_cookie_either(client: Client, issued: feeds.Issued) -> None:
    client.force_login(make_staff().user)
    answer = client.get(address(issued))
    assert answer.status_code == 200
    assert not answer.cookies


def test_who_is_not_on_therapy_has_an_empty_calendar_not_a_missing_one(
    client: Client, issued: feeds.Issued, patient: Patient
) -> None:
    people.change_status(patient, PatientStatus.ENDED, now=NOW)
    answer = client.get(address(issued))
    assert answer.status_code == 200
    assert not Calendar.from_ical(answer.content).walk("VEVENT")


def test_a_plan_that_has_run_out_is_refreshed_on_the_way(
    client: Client, issued: feeds.Issued, at_noon: time_machine.Traveller
) -> None:
    before = client.get(address(issued))
    at_noon.move_to(NOW + timedelta(days=13))  # 2026-03-31: nothing has happened
    assert client.get(address(issued))["ETag"] == before["ETag"]
    at_noon.move_to(NOW + timedelta(days=15))  # 2026-04-02: a swap is assumed
    after = client.get(address(issued))
    assert after["ETag"] != before["ETag"]
    days = {event["DTSTART"].dt for event in Calendar.from_ical(after.content).walk("VEVENT")}
    assert date(2026, 4, 1) not in days


def test_the_last_fetch_is_kept_to_the_hour(
    client: Client, issued: feeds.Issued, at_noon: time_machine.Traveller
) -> None:
    def last() -> datetime | None:
        return Subscription.objects.get().last_fetched_at

    assert last() is None
    for minutes, expected in [(0, 0), (30, 0), (59, 0), (61, 61), (100, 61)]:
        at_noon.move_to(NOW + timedelta(minutes=minutes))
        assert client.head(address(issued)).status_code == 200
        assert last() == NOW + timedelta(minutes=expected)


@override_settings(
    CACHES={
        "default": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": "redis://127.0.0.1:1/0",
        }
    }
)
def test_redis_down_is_no_reason_not_to_answer(client: Client, issued: feeds.Issued) -> None:
    with pytest.raises(redis.ConnectionError):
        cache.get("anything")
    assert client.get(address(issued)).status_code == 200
    assert client.get(address(issued)).status_code == 200


@pytest.fixture
def no_database(transactional_db: None) -> Iterator[None]:
    """The connection is closed, and a new one finds nobody at home."""
    known = dict(connection.settings_dict)
    connection.close()
    connection.settings_dict.update(HOST="127.0.0.1", PORT="1")
    yield
    connection.close()
    connection.settings_dict.update(HOST=known["HOST"], PORT=known["PORT"])


@pytest.mark.django_db(transaction=True)
def test_without_a_database_the_calendar_is_away_not_empty(
    patient: Patient, issued: feeds.Issued, client: Client, request: pytest.FixtureRequest
) -> None:
    assert client.get(address(issued)).status_code == 200
    request.getfixturevalue("no_database")
    answer = client.get(address(issued))
    assert answer.status_code == 503
    assert answer["Retry-After"]
    assert answer["Cache-Control"] == "private, no-cache"
    assert b"VCALENDAR" not in answer.content


def everything_in(records: list[logging.LogRecord]) -> str:
    """Every record as the site writes it, and raw: message, arguments and all."""
    formatter = ScrubbingFormatter()
    return "\n".join(f"{record.getMessage()} {record.args} {formatter.format(record)}" for record in records)


@pytest.mark.django_db(transaction=True)
def test_the_token_is_in_no_log_line(
    patient: Patient,
    issued: feeds.Issued,
    caplog: pytest.LogCaptureFixture,
    request: pytest.FixtureRequest,
) -> None:
    caplog.set_level(logging.DEBUG)
    client = Client(enforce_csrf_checks=True)
    other = feeds.subscribe(patient, Options(), by=None, now=NOW)
    unknown = f"unknown-{'u' * 35}"
    statuses = [client.get(address(issued)).status_code, client.head(address(issued)).status_code]
    statuses.append(client.get(address(issued), headers={"if-none-match": "*"}).status_code)
    statuses.append(client.post(address(issued)).status_code)
    statuses.append(client.get(f"/cal/{unknown}.ics").status_code)
    feeds.revoke(other.subscription, by=None, now=NOW)
    statuses.append(client.get(address(other)).status_code)
    request.getfixturevalue("no_database")
    statuses.append(client.get(address(issued)).status_code)
    assert statuses == [200, 200, 304, 405, 404, 410, 503]
    assert any(record.name == "resupply.web.patient.views" for record in caplog.records)
    said = everything_in(caplog.records)
    for secret in (issued.token, other.token, unknown):
        assert secret not in said


def test_a_line_of_an_access_log_is_scrubbed(issued: feeds.Issued) -> None:
    line = f'10.0.0.1 - "GET {address(issued)} HTTP/1.1" 200 1834 "-" "a calendar program"'
    assert scrub(line) == '10.0.0.1 - "GET /cal/[secret] HTTP/1.1" 200 1834 "-" "a calendar program"'
    record = logging.LogRecord("access", logging.INFO, "", 0, "%s asked for %s", ("x", address(issued)), None)
    assert issued.token not in ScrubbingFormatter().format(record)


def test_the_web_server_writes_no_access_log() -> None:
    """It would write each path as it came, past the site's formatter. `test_feed_server.py` reads its log."""
    assert "granian" in WEB.command
    said = [word for word in (*WEB.command, *WEB.environment) if "access" in word.lower()]
    assert said == ["--no-access-log"]
