"""The calendar feed from the web server as a clinic runs it: over HTTP, with its log on disk, while Redis
takes connections and says nothing, and while PostgreSQL goes away and comes back.

References: RFC 9110 (HEAD; 304 and its headers; 405 with Allow; 410; 503 with Retry-After).
"""

import contextlib
import os
import re
import signal
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from http.client import HTTPConnection, HTTPMessage
from pathlib import Path

import pytest
from django.db import connection, transaction
from icalendar import Calendar

from clinic import processes, servers
from resupply import clock, tasks
from resupply.models import Patient, Subscription
from resupply.services import feeds, plans
from resupply.services.feeds import Options
from tests.builders import make_dispense, make_patient
from tests.services.post_office import process_environment, start, wait_until

pytestmark = [pytest.mark.processes, pytest.mark.django_db(transaction=True)]
HEADERS = {
    "Cache-Control": "private, no-cache",
    "X-Robots-Tag": "noindex",
    "Referrer-Policy": "no-referrer",
}


class Way:
    """The way to PostgreSQL: a port that hands bytes on, until it is cut."""

    def __init__(self) -> None:
        settings = connection.settings_dict
        self.home, self.home_port = str(settings["HOST"]), int(settings["PORT"] or 5432)
        self.port, self.is_cut = servers.free_port(), False
        self.open: list[socket.socket] = []
        self.door = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self) -> None:
        """End what goes on, and let nobody through."""
        self.is_cut = True
        for one in self.open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self.open.clear()

    def mend(self) -> None:
        """Let people through again."""
        self.is_cut = False

    def _serve(self) -> None:
        while True:
            with contextlib.suppress(OSError):
                caller, _ = self.door.accept()
                if self.is_cut:
                    caller.close()
                    continue
                server = self._home()
                self.open += [caller, server]
                for source, target in ((caller, server), (server, caller)):
                    threading.Thread(target=self._hand_on, args=(source, target), daemon=True).start()

    def _home(self) -> socket.socket:
        if not self.home.startswith("/"):
            return socket.create_connection((self.home, self.home_port))
        server = socket.socket(socket.AF_UNIX)
        server.connect(f"{self.home}/.s.PGSQL.{self.home_port}")
        return server

    def _hand_on(self, source: socket.socket, target: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                target.sendall(data)
        with contextlib.suppress(OSError):
            target.shutdown(socket.SHUT_WR)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    headers: HTTPMessage
    """By name, in whatever case."""
    body: bytes


@dataclass(frozen=True, slots=True)
class Site:
    """A running web server, the way to its database, and what it wrote."""

    port: int
    way: Way
    log: Path

    def ask(self, token: str, method: str = "GET", **headers: str) -> Answer:
        """One request for a calendar, as a calendar program sends it; no redirect is followed."""
        http = HTTPConnection("127.0.0.1", self.port, timeout=20)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        http.request(method, f"/cal/{token}.ics", headers={"Cookie": "sessionid=x"} | sent)
        response = http.getresponse()
        found = Answer(response.status, response.headers, response.read())
        http.close()
        for name, value in HEADERS.items():
            assert found.headers.get(name) == value or found.status == 500, (found, name)
        for name in ("Set-Cookie", "Location", "Last-Modified"):
            assert name not in found.headers, found
        return found


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """granian with two workers and every word of its log, asked by its environment to log each access too;
    a Redis that accepts and never answers.
    """
    silent = socket.create_server(("127.0.0.1", 0))
    redis = f"redis://127.0.0.1:{silent.getsockname()[1]}/0"
    shared = process_environment(folder=tmp_path, email_url="smtp://127.0.0.1:1", redis_url=redis)
    way, port, log = Way(), servers.free_port(), tmp_path / "web.log"
    place = re.sub(r"@[^/]*/", f"@127.0.0.1:{way.port}/", shared["DATABASE_URL"]).partition("?")[0]
    shared |= {"DATABASE_URL": place, "GRANIAN_HOST": "127.0.0.1", "GRANIAN_PORT": str(port)}
    shared |= {"LOG_LEVEL": "DEBUG", "GRANIAN_LOG_LEVEL": "debug", "GRANIAN_LOG_ACCESS_ENABLED": "true"}
    server = start(processes.WEB.command, shared | processes.WEB.environment, log)
    found = Site(port, way, log)

    def answers() -> bool:
        with contextlib.suppress(OSError):
            http = HTTPConnection("127.0.0.1", port, timeout=5)
            http.request("GET", "/livez")
            return http.getresponse().status == 200
        return False

    wait_until(answers)
    yield found
    with contextlib.suppress(ProcessLookupError):
        os.killpg(server.pid, signal.SIGKILL)
    server.wait()
    way.cut()
    way.door.close()
    silent.close()


def give(patient: Patient, on: date, quantity: int) -> None:
    """Parts, as the desk's service leaves them: the plan refreshed."""
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        make_dispense(patient, on=on, lines=[{"quantity": quantity}])
        plans.refresh_plans([patient.pk], now=clock.now())


def test_a_calendar_over_http_whatever_is_down_and_never_in_a_log(site: Site) -> None:
    patient = make_patient()
    today = clock.today(patient.time_zone)
    give(patient, today, 2)
    good, ended = (feeds.subscribe(patient, Options(), by=None, now=clock.now()) for _ in range(2))
    feeds.revoke(ended.subscription, by=None, now=clock.now())
    unknown = "u" * 43

    first = site.ask(good.token)
    assert (first.status, first.headers["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    assert Calendar.from_ical(first.body).walk("VEVENT")
    etag = first.headers["ETag"]
    head = site.ask(good.token, "HEAD")
    assert (head.status, head.body, head.headers["ETag"]) == (200, b"", etag)
    assert head.headers["Content-Length"] == str(len(first.body))
    again = site.ask(good.token, If_None_Match=etag)
    assert (again.status, again.body, again.headers["ETag"]) == (304, b"", etag)
    assert site.ask(good.token, If_None_Match='"another"').status == 200
    assert site.ask(unknown).status == 404
    assert site.ask(ended.token).status == site.ask(ended.token, If_None_Match="*").status == 410
    posted = site.ask(good.token, "POST")
    assert (posted.status, posted.headers["Allow"]) == (405, "GET, HEAD")
    assert {site.ask(good.token).status for _ in range(30)} == {200}, "a valid address is never put off"

    give(patient, today, 1)  # the plan changes: Celery's task writes the calendar before anybody asks
    tasks.export_feeds.apply()
    row = Subscription.objects.get(pk=good.subscription.pk)
    assert row.fresh_until is not None
    ahead = site.ask(good.token, If_None_Match=etag)
    assert (ahead.status, ahead.headers["ETag"], ahead.body) == (200, f'"{row.etag}"', bytes(row.body))
    assert row.etag not in etag

    site.way.cut()
    away = site.ask(good.token, If_None_Match=ahead.headers["ETag"])
    assert (away.status, away.headers["Retry-After"], b"VCALENDAR" in away.body) == (503, "300", False)
    site.way.mend()
    wait_until(lambda: site.ask(good.token).status == 200, seconds=30)

    with connection.cursor() as cursor:  # a fault of ours: an error page, and a traceback in the log
        cursor.execute("ALTER TABLE resupply_subscription RENAME COLUMN etag TO etag_elsewhere")
        try:
            broken = site.ask(good.token)
        finally:
            cursor.execute("ALTER TABLE resupply_subscription RENAME COLUMN etag_elsewhere TO etag")
    assert (broken.status, b"VCALENDAR" in broken.body) == (500, False)

    written = site.log.read_text()
    assert "Traceback" in written
    assert "/cal/[secret]" in written
    for secret in (good.token, ended.token, unknown):
        assert secret not in written
