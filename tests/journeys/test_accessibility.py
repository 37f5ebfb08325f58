"""Axe finds nothing, no rule off, on every page of the URL resolver, light and dark, wide and narrow."""

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from resupply import clock
from resupply.models import Patient
from resupply.services import feeds, plans
from tests.builders import make_dispense, make_event
from tests.cast import Cast

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OPEN_SOME = "[...document.querySelectorAll('main details')].slice(0, 4).forEach(d => d.open = true)"
NO_PAGE = {"logout", "feed:calendar", "manager:overdue_csv"}  # a POST, a calendar file, a CSV file


def view_names(patterns: list[URLPattern | URLResolver], space: str = "") -> Iterator[str]:
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            yield from view_names(
                pattern.url_patterns, f"{space}{pattern.namespace}:" if pattern.namespace else space
            )
        else:
            yield f"{space}{pattern.name}"


def busy_patient(cast: Cast) -> dict[str, list[object]]:
    """A patient with every kind of mark on the page; arguments of the views that are not about a patient."""
    person, now = cast.odalys, clock.now()
    today = clock.today(person.time_zone)
    old = make_dispense(
        person, on=today - timedelta(days=70), lines=[{"quantity": 2}, {"part_code": "A7034"}]
    )
    void = make_dispense(person, on=today - timedelta(days=20), lines=[{"part_code": "A7037"}, {"lot": "L7"}])
    void.lines.update(voided_at=now, void_reason="wrong size", exception_reason="lost in the post")
    pause = make_event(person, "pause", on=today - timedelta(days=3))
    make_event(person, "refit", on=today - timedelta(days=60))
    make_dispense(cast.tevin, on=today - timedelta(days=50))
    plans.refresh_plans([person.pk, cast.tevin.pk], now=now)
    calendar = feeds.subscribe(person, feeds.Options(), by=None, now=now).subscription
    return {
        "desk:why": [person.public_id, "cushion"],
        "desk:why_value": [person.public_id, "cushion", "supply_ends_on"],
        "desk:dispense_void": [old.public_id],
        "desk:line_void": [old.public_id, 0],
        "desk:event_void": [pause.public_id],
        "desk:pause_end": [pause.public_id],
        "desk:calendar_renew": [calendar.public_id],
        "desk:calendar_revoke": [calendar.public_id],
    }


def addresses(cast: Cast, patient: Patient) -> dict[str, str]:
    special = busy_patient(cast)
    found = {}
    for name in view_names(get_resolver().url_patterns):
        if name in NO_PAGE:
            continue
        plain = not name.startswith("desk:") or name in {"desk:find", "desk:mail", "desk:patient_new"}
        found[name] = reverse(name, args=special.get(name, [] if plain else [patient.public_id]))
    return found


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 360)])
def test_axe_finds_nothing(
    browser: "Browser", live_server: "LiveServer", cast: Cast, scheme: str, width: int
) -> None:
    from axe_playwright_python.sync_playwright import Axe
    from django.test import Client

    axe, found = Axe(), {}
    signed_in = Client()
    signed_in.force_login(cast.administrator.user)
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    page = context.new_page()
    pages = addresses(cast, cast.odalys)
    page.goto(live_server.url + pages.pop("login"))
    found["login"] = axe.run(page).response["violations"]
    cookie = signed_in.cookies["sessionid"].value
    context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
    for name, address in pages.items():
        answer = page.goto(live_server.url + address)
        assert answer is not None
        assert answer.status == 200, name
        page.evaluate(OPEN_SOME)
        page.wait_for_function("!document.querySelector('.htmx-request')")
        found[name] = axe.run(page).response["violations"]
        assert page.evaluate("document.documentElement.scrollWidth") <= width, (
            f"{name} is wider than the screen"
        )
    context.close()
    told = {
        name: [(v["id"], v["nodes"][0]["html"][:160]) for v in violations]
        for name, violations in found.items()
        if violations
    }
    assert told == {}
