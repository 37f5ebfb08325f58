"""Headers of every page, cookies of a deployment, and formulas in every file that goes out.

Sources: OWASP Secure Headers Project (what to send); RFC 6265bis, section 4.1.3 (cookie name prefixes);
RFC 1952, section 2.3 (gzip: a name may follow the header of ten bytes); W3C, Fetch Metadata (Sec-Fetch-Site).
"""

import csv
import gzip
import io
import re
from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from openpyxl import load_workbook

from resupply.models import Patient
from resupply.services import feeds, plans
from tests.builders import NOW, make_dispense, make_event, make_own_page
from tests.cast import Cast
from tests.clinic.test_settings import PRODUCTION, settings_with
from tests.web.addresses import addresses_of, views

ATTACK = '=HYPERLINK("http://evil.example";"x")'
STARTS = ("=", "+", "-", "@", "\t", "\r")

pytestmark = pytest.mark.django_db


@pytest.fixture
def everywhere(cast: Cast) -> dict[str, str]:
    """One address of every view."""
    dispense = make_dispense(cast.odalys, on=date(2026, 1, 1))
    event = make_event(cast.odalys, "pause")
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    calendar = feeds.subscribe(cast.odalys, feeds.Options(), by=None, now=NOW)
    return addresses_of(cast.odalys, dispense=dispense, event=event, calendar=calendar)


def test_every_page_says_what_a_browser_may_do_and_is_not_kept(
    cast: Cast, everywhere: dict[str, str]
) -> None:
    ada = Client()
    ada.force_login(cast.administrator.user)
    wrong: dict[str, object] = {}
    rest = [name for name in views() if name.startswith(("me:", "feed:", "fhir:", "ask:", "stop", "job"))]
    for name in sorted({*list(views())[::12], *rest, "home", "login", "desk:patient", "desk:book_csv"}):
        answer = ada.get(everywhere[name])
        kept = answer.get("Cache-Control", "")
        right = (
            "frame-ancestors 'none'" in answer["Content-Security-Policy"],
            "unsafe" not in answer["Content-Security-Policy"],
            "object-src 'none'; " in f"{answer['Content-Security-Policy']}; ",
            answer["X-Content-Type-Options"] == "nosniff",
            answer["Cross-Origin-Opener-Policy"] == "same-origin",
            answer["Referrer-Policy"] in {"same-origin", "strict-origin", "no-referrer"},
            "geolocation=()" in answer["Permissions-Policy"],
            "no-store" in kept or name in {"feed:calendar", "fhir:read"},
        )
        if not all(right):
            wrong[name] = (answer.status_code, right, kept)
    assert wrong == {}
    assert ada.post(everywhere["logout"])["Clear-Site-Data"] == '"cache", "storage"'


def test_pages_leave_compressed_and_no_two_of_one_length(cast: Cast) -> None:
    tess = Client(headers={"Accept-Encoding": "br, gzip"})
    tess.force_login(cast.therapist.user)
    pages = (
        *(reverse("home"), reverse("desk:patient", args=[cast.odalys.public_id]), reverse("desk:book_print")),
        *(reverse("me:page", args=[make_own_page(cast.odalys).token]), "/no/such/page/"),
    )
    for address in pages:
        sent = tess.get(address)
        assert sent["Content-Encoding"] == "gzip", address
        assert "Accept-Encoding" in sent["Vary"], address
        assert int(sent["Content-Length"]) == len(sent.content)
        assert gzip.decompress(sent.content).rstrip().endswith(b"</html>")
        plain = tess.get(address, headers={"Accept-Encoding": "identity"})
        assert "Content-Encoding" not in plain
        assert len(plain.content) > len(sent.content)
        for led in ("cross-site", "same-site"):
            assert "Content-Encoding" not in tess.get(address, headers={"Sec-Fetch-Site": led})
    names = {tess.get(pages[-1]).content[10:].partition(b"\0")[0] for _ in range(8)}
    assert len({len(name) for name in names}) > 1


def test_files_and_calendars_leave_as_they_are(cast: Cast, everywhere: dict[str, str]) -> None:
    ada = Client()
    ada.force_login(cast.administrator.user)
    ends = ("csv", "xlsx", "pdf", "json", "calendar", "job_file")
    files = [name for name in views() if name.endswith(ends) or name == "desk:import_template"]
    checked = set()
    for name in files:
        plain, asked = (ada.get(everywhere[name], headers=one) for one in ({}, {"Accept-Encoding": "gzip"}))
        if plain.status_code != 200 or plain["Content-Type"].startswith("text/html"):
            continue
        checked.add(name)
        assert "Content-Encoding" not in asked, name
        assert asked.get("ETag") == plain.get("ETag"), name
        if not name.endswith("xlsx"):  # made anew each time, with the moment in it
            assert _body(asked) == _body(plain), name
    assert {"feed:calendar", "manager:packet_json", "manager:packet_pdf", "desk:book_csv"} <= checked
    feed = ada.get(everywhere["feed:calendar"], headers={"Accept-Encoding": "gzip"})
    again = {"Accept-Encoding": "gzip", "If-None-Match": feed["ETag"]}
    assert feed["ETag"].startswith('"')
    assert ada.get(everywhere["feed:calendar"], headers=again).status_code == 304


def _body(answer: Any) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else bytes(answer.content)


def test_cookies_of_a_deployment_cannot_come_from_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    made = settings_with(monkeypatch, PRODUCTION)
    assert (made["SESSION_COOKIE_NAME"], made["CSRF_COOKIE_NAME"]) == ("__Host-session", "__Host-csrf")
    assert made["SESSION_COOKIE_SECURE"] is made["CSRF_COOKIE_SECURE"] is True
    assert made["SECURE_HSTS_SECONDS"] >= 31536000
    assert made.get("SESSION_COOKIE_DOMAIN") is None
    assert made.get("SESSION_COOKIE_PATH", "/") == "/"


def test_the_cookie_of_an_own_page_is_taken_over_tls_alone(cast: Cast, settings: Any) -> None:
    settings.SESSION_COOKIE_SECURE = True
    link = make_own_page(cast.odalys)
    address = reverse("me:page", args=[link.token])
    visitor = Client()
    born = cast.odalys.birth_date
    visitor.post(address, {"day": born.day, "month": born.month, "year": born.year})
    names = [name for name in visitor.cookies if "own-page" in name]
    assert names
    assert all(name.startswith("__Secure-own-page") for name in names)
    assert all(visitor.cookies[name]["secure"] for name in names)


def test_no_file_that_goes_out_holds_a_formula(cast: Cast, everywhere: dict[str, str]) -> None:
    """Every address that gives a CSV or a workbook, with all six beginnings in three fields of a patient."""
    ada = Client()
    ada.force_login(cast.administrator.user)
    files = {name: everywhere[name] for name in views() if name.endswith(("csv", "xlsx"))}
    for first, second, third in (STARTS[:3], STARTS[3:]):
        Patient.objects.filter(pk=cast.odalys.pk).update(
            given_name=f"{first}{ATTACK}", family_name=f"x\r{second}cmd", reference=f"{third}1047"
        )
        for name, address in files.items():
            answer: Any = ada.get(address)
            body = _body(answer)
            wrong = [cell for cell in _cells(body, is_csv=name.endswith("csv")) if cell.startswith(STARTS)]
            assert wrong == [], name
            assert body.startswith(b"PK") or not any(
                line.startswith(STARTS) for line in re.split(r"[\r\n]+", _unquoted(body.decode()))
            ), name
    known = {"desk:book_csv", "manager:history_csv", "manager:disclosures_csv", "worklist_csv"}
    assert known | {"manager:overdue_xlsx", "manager:history_xlsx"} <= files.keys()


def _unquoted(text: str) -> str:
    """A file without its quoted cells: line ends left in it begin rows."""
    return re.sub(r'"[^"]*"', "", text)


def _cells(body: bytes, *, is_csv: bool) -> list[str]:
    """The cells that a spreadsheet may take for formulas."""
    if is_csv:
        return [cell for row in csv.reader(io.StringIO(body.decode("utf-8-sig"), newline="")) for cell in row]
    sheets = load_workbook(io.BytesIO(body)).worksheets
    cells = [cell for sheet in sheets for row in sheet.iter_rows() for cell in row]
    return [str(cell.value) for cell in cells if cell.data_type == "f"]
