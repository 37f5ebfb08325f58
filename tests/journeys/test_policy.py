"""A change of policy: drafted, looked at, applied, and then the patient's line has moved."""

from datetime import timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from resupply import clock
from resupply.models import PlanLine
from resupply.services import job_kinds, jobs, plans
from tests.builders import make_dispense
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits

pytestmark = pytest.mark.browser


def work() -> None:
    """What the worker does when the bell rings."""
    assert job_kinds.__all__
    while jobs.work(now=clock.now()):
        pass


def test_a_draft_is_previewed_applied_and_seen_on_the_patients_page(window: OpenWindow, cast: Cast) -> None:
    today = clock.today("America/Denver")
    given = today - timedelta(days=10)
    make_dispense(cast.odalys, on=given, lines=[{}])
    plans.refresh_plans([cast.odalys.pk], now=clock.now())
    before = PlanLine.objects.get().supply_ends_on
    page = window(user=cast.user("manager"), width=1280)
    page.goto("/manager/policy/")
    page.get_by_role("link", name="Draft a life of a part").click()
    page.locator("#id_part_code").select_option("A7032")
    page.get_by_label("Worn after").fill("2")
    page.get_by_label("Why").fill("seen to last")
    page.get_by_role("button", name="Keep the draft").click()
    page.get_by_role("button", name="Show what it would do").click()
    expect(page.get_by_text("Waiting for a worker")).to_be_visible()
    work()
    expect(page.get_by_role("heading", name="Line by line")).to_be_visible()
    expect(page.locator("td b", has_text="comes later")).to_be_visible()
    small = window(user=cast.user("manager"), width=390)
    small.goto(page.url)
    assert fits(small)
    expect(small.locator("td b", has_text="comes later")).to_be_visible()
    small.get_by_role("button", name="Apply the draft").click()
    expect(small.get_by_text("All pages show the rule before it")).to_be_visible()
    assert PlanLine.objects.get().supply_ends_on == before
    work()
    expect(small.get_by_text("Applied. Every plan follows it")).to_be_visible()
    after = PlanLine.objects.get().supply_ends_on
    assert after > before
    page.goto(reverse("desk:patient", args=[cast.odalys.public_id]))
    expect(page.locator("main")).to_contain_text(f"{after.day} {after:%b}")
