"""Axe finds nothing, no rule off, on every page of the URL resolver, light and wide, dark and narrow."""

from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe

from resupply import clock
from resupply.services import feeds, plans
from tests.builders import make_dispense, make_event
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.web.addresses import addresses_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NO_PAGE = {"login", "logout", "feed:calendar", "manager:overdue_csv"}  # sign-in has a journey of its own
OPEN_SOME = "[...document.querySelectorAll('main details')].slice(0, 4).forEach(d => d.open = true)"


def busy_patient(cast: Cast) -> dict[str, str]:
    """A patient with every kind of mark on the page, another who is overdue, and all addresses."""
    person, now = cast.odalys, clock.now()
    today = clock.today(person.time_zone)
    person.email = "a.rather.long.name.of.a.mailbox.that.fits.no.narrow.column@patients.example"
    person.save()
    old = [{"quantity": 2}, {"part_code": "A7034"}]
    dispense = make_dispense(person, on=today - timedelta(days=70), lines=old)
    void = make_dispense(person, on=today - timedelta(days=20), lines=[{"part_code": "A7037"}, {"lot": "L7"}])
    void.lines.update(voided_at=now, void_reason="wrong size", exception_reason="lost in the post")
    pause = make_event(person, "pause", on=today - timedelta(days=3))
    make_event(person, "refit", on=today - timedelta(days=60))
    make_dispense(cast.tevin, on=today - timedelta(days=50))
    plans.refresh_plans([person.pk, cast.tevin.pk], now=now)
    calendar = feeds.subscribe(person, feeds.Options(), by=None, now=now)
    return addresses_of(person, dispense=dispense, event=pause, calendar=calendar)


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 360)])
def test_axe_finds_nothing(window: OpenWindow, cast: Cast, scheme: str, width: int) -> None:
    page = window(width=width, scheme=scheme, user=cast.administrator.user)
    axe, found = Axe(), {}
    for name, address in busy_patient(cast).items():
        if name in NO_PAGE:
            continue
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == 200, name
        page.evaluate(OPEN_SOME)
        page.wait_for_selector(".htmx-request", state="detached")
        violations = axe.run(page).response["violations"]
        if violations:
            found[name] = [(v["id"], v["nodes"][0]["html"][:160]) for v in violations]
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} is too wide"
    assert found == {}
