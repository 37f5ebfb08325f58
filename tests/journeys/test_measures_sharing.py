"""Measures read and filtered; a program let in, what it read, and shut out: at the desk, then on a phone."""

import json
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import expect
from pytest_django import Settings

from resupply.models import Integration
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits, let_fall_behind

pytestmark = pytest.mark.browser


def test_measures_are_read_and_a_program_is_let_in_and_shut_out(
    window: OpenWindow, cast: Cast, settings: Settings
) -> None:
    settings.FHIR = True
    let_fall_behind(cast)
    page = window(user=cast.user("manager"), width=1440)
    page.goto("/manager/measures/")
    expect(page.get_by_role("heading", name="0.0 % of lines are in supply today")).to_be_visible()
    page.get_by_label("Location", exact=True).select_option("South room")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("heading", name="Of 1 overdue line")).to_be_visible()
    page.goto("/manager/sharing/")
    expect(page.get_by_text("No program reads here.")).to_be_visible()
    expect(page.get_by_role("link", name="Let a program in")).to_have_count(0)

    page = window(user=cast.user("administrator"), width=390, scheme="dark")
    page.goto("/manager/sharing/")
    page.get_by_role("link", name="Let a program in").click()
    page.locator("#id_name").fill("Hospital record")
    page.locator("#id_purpose").fill("Shows dispensed parts")
    page.get_by_label("Dispensed parts").check()
    page.get_by_label("North room").check()
    page.get_by_role("button", name="Make the token").click()
    token = page.get_by_label("Token").input_value()
    assert fits(page)
    home = page.url.split("/manager")[0]
    asked = Request(f"{home}/fhir/SupplyDelivery", headers={"Authorization": f"Bearer {token}"})  # noqa: S310
    found = json.load(urlopen(asked))  # noqa: S310 - our own server
    owners = {entry["resource"]["patient"]["reference"] for entry in found["entry"]}
    assert owners == {f"Patient/{cast.odalys.public_id}"}, "of North room alone"
    page.goto(f"/manager/sharing/{Integration.objects.get().public_id}/")
    expect(page.get_by_role("cell", name="Dispensed parts, a search")).to_be_visible()
    page.get_by_role("link", name="Shut the program out").click()
    page.get_by_role("button", name="Shut the program out").click()
    expect(page.get_by_role("status")).to_contain_text("Its token opens nothing any more.")
    assert fits(page)
    assert Integration.objects.get().ended_at is not None
