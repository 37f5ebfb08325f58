"""Signing in and out, as a person does it."""

import pytest
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from tests.cast import Cast, make_cast

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.browser]
PASSWORD = "nine quiet rooms"


@pytest.fixture
def cast(transactional_db: None) -> Cast:
    """The cast, with a password for the desk."""
    people = make_cast()
    user = people.user("desk")
    user.set_password(PASSWORD)
    user.save()
    return people


def sign_in(page: Page, where: str, name: str, password: str) -> None:
    page.goto(f"{where}/")
    page.get_by_label("Username").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def test_in_and_out_again(page: Page, live_server: LiveServer, cast: Cast) -> None:
    name = cast.user("desk").get_username()
    sign_in(page, live_server.url, name, "wrong")
    expect(page.get_by_role("alert")).to_be_visible()
    sign_in(page, live_server.url, name, PASSWORD)
    expect(page).to_have_url(f"{live_server.url}/")
    page.locator("summary").filter(has_text=name).click()
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{live_server.url}/")
    expect(page.get_by_label("Username")).to_be_visible()
