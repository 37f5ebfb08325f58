"""Headers of every page, cookies of a deployment, and formulas in every file that goes out.

Sources: OWASP Secure Headers Project (what to send); RFC 6265bis, section 4.1.3 (cookie name prefixes).
"""

import csv
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
            body = b"".join(answer.streaming_content) if answer.streaming else answer.content
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
