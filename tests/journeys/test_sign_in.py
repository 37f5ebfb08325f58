"""Signing in and out, as a person does it."""

import pytest
from playwright.sync_api import expect

from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import sign_in

pytestmark = pytest.mark.browser


def test_in_and_out_again(window: OpenWindow, cast: Cast) -> None:
    page, user = window(), cast.user("desk")
    sign_in(page, user, "a wrong password")
    expect(page.get_by_role("alert")).to_be_visible()
    sign_in(page, user)
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    page.locator("summary").filter(has_text=user.get_username()).click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_label("Username")).to_be_visible()
    page.goto("/")
    expect(page.get_by_label("Username")).to_be_visible()
