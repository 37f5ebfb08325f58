"""Addresses for machines: alive, ready, figures; and the id and the line of every request."""

import logging
import re
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse
from django.test import Client, RequestFactory

from clinic.health import Health
from clinic.requests import Requests
from resupply import clock
from resupply.models import Backup, Heartbeat, Message, MessageState
from resupply.queries import health as queries
from resupply.queries.failures import gone_wrong_at
from resupply.rules.health import Facts, Grade, findings
from resupply.services.heartbeats import record_heartbeat
from resupply.web.access import guessing
from tests.builders import make_patient
from tests.cast import Cast
from tests.clinic.test_settings import PRODUCTION, settings_with

TOKEN = "t0k3n-" + "0123456789abcdef" * 2


def asked(path: str, method: str = "GET", **headers: str) -> HttpResponse:
    """One request at a fresh process: it remembers nothing."""
    health = Health(lambda request: HttpResponse("the site", status=418))
    answer = health(RequestFactory(headers=headers).generic(method, path))
    assert isinstance(answer, HttpResponse)
    return answer


def status(path: str) -> int:
    answer = asked(path)
    assert re.fullmatch(rb"ok|not ready: [a-z, ]+", answer.content.rstrip(b"\n"))
    assert answer["Cache-Control"] == "no-store"
    return answer.status_code


def message(**over: Any) -> Message:
    now = clock.now()
    values = {"patient": make_patient(), "channel": "mail", "purpose": "question", "day": now.date()}
    values |= {"created_at": now, "not_before": now, "expires_at": now + timedelta(hours=9)}
    return Message.objects.create(**values | over)


@pytest.mark.django_db
def test_ready_says_whether_the_clinic_works() -> None:
    now = clock.now()
    assert (status("/readyz"), status("/readyz/web")) == (503, 200)  # no heartbeat has come yet
    assert asked("/readyz").content == b"not ready: heartbeat\n"
    record_heartbeat(now=now)
    assert status("/readyz") == 200
    Heartbeat.objects.update(beat_at=now - timedelta(seconds=200))
    assert status("/readyz") == 503
    Heartbeat.objects.update(beat_at=now + timedelta(hours=1))  # the clock was set back since
    assert status("/readyz") == 200

    waiting = message(not_before=now - timedelta(minutes=14))
    assert status("/readyz") == 200
    Message.objects.filter(pk=waiting.pk).update(not_before=now - timedelta(minutes=16))
    assert status("/readyz") == 503
    Message.objects.filter(pk=waiting.pk).update(state=MessageState.SENT)
    assert status("/readyz") == 200
    message(not_before=now + timedelta(hours=8))
    assert status("/readyz") == 200

    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'resupply' AND name = '0001_initial'")
    assert queries.unapplied_migrations() == ["resupply.0001_initial"]
    assert (status("/readyz"), status("/readyz/web"), status("/livez")) == (503, 503, 200)


@pytest.mark.django_db
def test_what_did_not_arrive_is_counted_as_the_desk_sees_it() -> None:
    """Until a later message went out on the same way: that one said what was true by then."""
    now = clock.now()
    lost = message(state=MessageState.FAILED, finished_at=now)
    assert queries.outbox(now=now).failed == gone_wrong_at((), today=now.date()) == 1
    message(patient=lost.patient, day=now.date() + timedelta(days=1), state=MessageState.SENT)
    assert queries.outbox(now=now).failed == gone_wrong_at((), today=now.date()) == 0


def test_without_a_database_it_lives_and_is_not_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(**kwargs: Any) -> None:
        raise DatabaseError("the server closed the connection")

    monkeypatch.setattr(queries, "ready", gone)
    assert (status("/livez"), status("/readyz"), status("/readyz/web")) == (200, 503, 503)
    assert asked("/readyz").content == b"not ready: database\n"


def test_asking_often_costs_the_database_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[int] = []
    monkeypatch.setattr(queries, "ready", lambda **kwargs: times.append(1) or Facts())
    health = Health(lambda request: HttpResponse())
    for _ in range(50):
        assert health(RequestFactory().get("/readyz")).status_code == 200
    assert len(times) == 1


def test_only_reading_is_answered_and_other_paths_pass() -> None:
    assert asked("/readyz", "POST").status_code == 405
    assert asked("/readyz/more").status_code == 418
    assert asked("/metrics").status_code == 418  # switched off: there is no such address


@pytest.mark.parametrize(
    ("facts", "codes"),
    [
        (Facts(), ""),
        (Facts(unapplied=1), "migrations!"),
        (Facts(heartbeat_s=90.1), "heartbeat!"),
        (Facts(unsent_s=900.1), "outbox!"),
        (Facts(queue=None), "queue!"),
        (Facts(disk_free=0.09), "disk"),
        (Facts(disk_free=0.1, backup_s=93600, seal_s=3600, unsealed=9, job_s=1800), ""),
        (Facts(seal_s=None), ""),
        (Facts(backup_broke=True), "backup"),
        (Facts(backup_s=93601), "backup"),
        (Facts(seal_s=3601, unsealed=1, failed=2, job_s=1801), "seal failed jobs"),
    ],
)
def test_what_needs_a_person(facts: Facts, codes: str) -> None:
    marked = [f"{one.code}{'!' if one.grade == Grade.BROKEN else ''}" for one in findings(facts)]
    assert " ".join(marked) == codes


# --- figures


@pytest.mark.django_db
def test_figures_count_requests_by_view_and_ask_the_database(settings: Any) -> None:
    settings.METRICS_TOKEN = TOKEN
    record_heartbeat(now=clock.now())
    message(attempts=1)
    Backup.objects.create(began_at=clock.now(), file_name="x", error="OSError")
    client = Client()
    secret = "h5Xk_wQ9-3vN8sT2h5Xk_wQ9-3vN8sT2"
    assert client.get(f"/cal/{secret}.ics").status_code == 404
    assert client.get("/sign-in/").status_code == 200
    assert client.get("/nothing/here").status_code == 404

    for wrong in ({}, {"Authorization": "Bearer x"}, {"Authorization": f"Basic {TOKEN}"}):
        refused = client.get("/metrics", headers=wrong)
        assert (refused.status_code, refused.content) == (401, b"")
    answer = client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    text = answer.content.decode()
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/plain; version=0.0.4")
    value = dict(re.findall(r"^(evenkeep_\S+) (\S+)$", text, re.M))
    assert float(value['evenkeep_requests_total{method="GET",status="404",view="feed:calendar"}']) >= 1
    assert float(value['evenkeep_requests_total{method="GET",status="200",view="login"}']) >= 1
    assert float(value['evenkeep_requests_total{method="GET",status="404",view="none"}']) >= 1
    assert float(value['evenkeep_request_seconds_bucket{le="10.0",view="login"}']) >= 1
    assert value['evenkeep_outbox_messages{state="again"}'] == "1.0"
    assert value['evenkeep_outbox_messages{state="failed"}'] == "0.0"
    assert float(value["evenkeep_heartbeat_age_seconds"]) < 60
    assert value["evenkeep_database_up"] == "1.0"
    assert "evenkeep_backup_age_seconds" not in value  # none was finished
    for word in (secret, "nothing", "patients.example", "Odalys", "Brandt"):
        assert word not in text


def test_a_run_of_wrong_tokens_is_slowed_like_other_guesses_and_a_good_one_never(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.METRICS_TOKEN = TOKEN
    held: list[float] = []
    monkeypatch.setattr(guessing.time, "sleep", held.append)
    monkeypatch.setattr(guessing, "UNKNOWN_TOKENS", guessing.Tally("metrics-here", most=3, seconds=600))
    for _ in range(5):
        assert asked("/metrics", Authorization="Bearer x").status_code == 401
    assert held == [guessing.HOLD_S] * 2
    monkeypatch.setattr("clinic.metrics.page", lambda: b"figures")
    assert asked("/metrics", Authorization=f"Bearer {TOKEN}").content == b"figures"
    assert len(held) == 2


def test_figures_without_a_database_say_so(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.METRICS_TOKEN = TOKEN

    def gone(**kwargs: Any) -> None:
        raise DatabaseError("the server closed the connection")

    monkeypatch.setattr(queries, "machinery", gone)
    answer = asked("/metrics", Authorization=f"Bearer {TOKEN}")
    assert b"evenkeep_database_up 0.0" in answer.content
    assert b"evenkeep_jobs" not in answer.content


def test_a_short_token_is_refused_at_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ImproperlyConfigured, match="METRICS_TOKEN"):
        settings_with(monkeypatch, PRODUCTION | {"METRICS_TOKEN": "short"})
    with pytest.raises(ImproperlyConfigured, match="LOG_FORMAT"):
        settings_with(monkeypatch, PRODUCTION | {"METRICS_TOKEN": "", "LOG_FORMAT": "xml"})
    with pytest.raises(ImproperlyConfigured, match="BACKUP_KEY must hold keys of 32 bytes"):
        settings_with(monkeypatch, PRODUCTION | {"LOG_FORMAT": "", "BACKUP_KEY": "c2hvcnQ="})
    made = settings_with(monkeypatch, PRODUCTION | {"BACKUP_KEY": ""})
    assert made["LOGGING"]["formatters"] == {"line": {"()": "clinic.logs.JsonFormatter"}}
    assert (made["BACKUP_KEYS"], made["METRICS_TOKEN"]) == ([], "")


# --- ids and lines


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("0f8fad5b-d9cb-469f-a165-70867728950e", True),
        ("abcdefgh", True),
        ("short", False),
        ("a" * 65, False),
        ("abcdefgh\nforged line", False),
        ("<script>alert(1)</script>", False),
        ("١٢٣٤٥٦٧٨", False),
    ],
)
def test_an_id_from_outside_counts_only_if_well_formed(given: str, kept: bool) -> None:
    seen: list[HttpResponse] = []

    def site(request: HttpRequest) -> HttpResponse:
        seen.append(HttpResponse())
        return seen[-1]

    answer = Requests(site)(RequestFactory().get("/", HTTP_X_REQUEST_ID=given))
    assert (answer["X-Request-ID"] == given) is kept
    assert re.fullmatch(r"[A-Za-z0-9._-]{8,64}", answer["X-Request-ID"])


@pytest.mark.django_db
def test_a_request_leaves_one_line_with_the_view_and_no_path(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "clinic.requests")
    answer = Client().get("/me/a-secret-token/", headers={"X-Request-ID": "from-the-proxy"})
    (line,) = [record for record in caplog.records if record.name == "clinic.requests"]
    assert (vars(line)["view"], vars(line)["method"]) == ("me:page", "GET")
    assert vars(line)["status"] == answer.status_code
    assert vars(line)["ms"] > 0
    assert "a-secret-token" not in repr(vars(line))
    assert answer["X-Request-ID"] == "from-the-proxy"
    assert "user" not in vars(line)


@pytest.mark.django_db
def test_a_refusal_is_logged_with_who_was_refused(cast: Cast, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "clinic.requests")
    client = Client()
    client.force_login(cast.desk.user)
    assert client.get("/manager/status/").status_code == 403
    assert client.trace("/").status_code == 405
    refused, _ = [record for record in caplog.records if record.name == "clinic.requests"]
    said = {name: vars(refused)[name] for name in ("view", "status", "user")}
    assert said == {"view": "manager:status", "status": 403, "user": cast.desk.user.pk}


def test_programs_without_tls_are_refused_and_people_are_led_to_it(settings: Any) -> None:
    settings.SECURE_SSL_REDIRECT = True
    refused = Client().get("/fhir/metadata", headers={"Authorization": "Bearer in-the-clear"})
    assert (refused.status_code, refused.content) == (403, b"TLS only.\n")
    assert Client().post("/texts/inbound/").status_code == 403
    assert Client().get("/cal/x.ics")["Location"].startswith("https://")
    assert Client().get("/sign-in/")["Location"].startswith("https://")


@pytest.mark.parametrize(
    ("header", "address"),
    [
        ("203.0.113.9", "203.0.113.9"),
        ("198.51.100.1, 203.0.113.9", "203.0.113.9"),  # what the visitor wrote comes before
        ("2001:DB8::7", "2001:db8::7"),
        ("203.0.113.9, unknown", "127.0.0.1"),
        ("", "127.0.0.1"),
    ],
)
def test_the_visitor_s_address_is_the_one_the_proxy_saw(settings: Any, header: str, address: str) -> None:
    def address_of(request: HttpRequest) -> HttpResponse:
        return HttpResponse(request.META["REMOTE_ADDR"])

    def seen() -> bytes:
        request = RequestFactory(headers={"X-Forwarded-For": header}).get("/")
        return Requests(address_of)(request).content  # type: ignore[attr-defined] # an HttpResponse

    assert seen() == b"127.0.0.1"  # nobody said that there is a proxy
    settings.FORWARDED_FOR = True
    assert seen() == address.encode()
