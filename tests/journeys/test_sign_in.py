"""Signing in and out, as a person does it."""

from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits, sign_in

pytestmark = pytest.mark.browser


def test_in_and_out_again(window: OpenWindow, cast: Cast) -> None:
    page, user = window(), cast.user("desk")
    sign_in(page, user, "a wrong password")
    expect(page.get_by_role("alert")).to_be_visible()
    sign_in(page, user)
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    page.locator("summary").filter(has_text=user.get_username()).click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_label("User name")).to_be_visible()
    page.goto("/")
    expect(page.get_by_label("User name")).to_be_visible()


def test_a_passkey_is_made_opens_the_second_step_and_is_a_fresh_proof(
    window: OpenWindow, cast: Cast, settings: Any
) -> None:
    """With a virtual authenticator of the browser's (W3C Web Authentication), as on a phone."""
    settings.SECOND_STEP = True
    page, user = window(width=390), cast.user("desk")
    browser_side = page.context.new_cdp_session(page)
    browser_side.send("WebAuthn.enable")
    device = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasUserVerification": True,
        "isUserVerified": True,
    }
    browser_side.send("WebAuthn.addVirtualAuthenticator", {"options": device})
    sign_in(page, user)
    page.get_by_role("link", name="Add a passkey").click()  # nothing else opens
    page.get_by_label("A name for it").fill("This phone")
    page.get_by_role("button", name="Make the passkey").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Recovery codes")
    assert fits(page)
    page.goto("/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    page.context.clear_cookies()
    sign_in(page, user)
    expect(page.get_by_role("heading", level=1)).to_have_text("Second step")
    assert fits(page)
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Today")
    page.goto(reverse("prove") + "?next=" + reverse("your_sign_in"))
    assert fits(page)
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Your sign-in")
