"""Windows of a real browser, each with nothing cached, and how somebody gets in."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from pictures.place import Place

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

Scheme = Literal["light", "dark"]
PATIENCE = 30_000  # milliseconds


@contextmanager
def browser() -> "Iterator[Browser]":
    """Debian's Chromium, headless; root needs it without its sandbox."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        raise SystemExit("The pictures need Chromium (Debian's package chromium; CHROMIUM= names another).")
    from playwright.sync_api import sync_playwright

    arguments = ["--disable-background-networking", "--disable-gpu", "--no-first-run"]
    arguments += ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=arguments)
        yield chromium
        chromium.close()


@contextmanager
def fresh(
    chromium: "Browser", place: Place, *, width: int, height: int = 900, known: Any = None
) -> "Iterator[Page]":
    """A window whose cache is empty; `known`: the cookies of who is in it."""
    context: BrowserContext = chromium.new_context(
        base_url=place.address,
        viewport={"width": width, "height": height},
        storage_state=known,
        locale="en-US",
        timezone_id="America/Denver",
        reduced_motion="reduce",
    )
    context.set_default_timeout(PATIENCE)
    try:
        yield context.new_page()
    finally:
        context.close()


def sign_in(page: "Page", place: Place, user: str) -> None:
    """Password, then the code of an authenticator app, up to the first page."""
    page.goto("/sign-in/")
    page.locator("[name=username]").fill(user)
    page.locator("[name=password]").fill(place.passwords[user])
    page.keyboard.press("Enter")
    page.locator("[name=code]").wait_for()
    while page.locator("[name=code]").count():  # a code may end while it is sent
        page.locator("[name=code]").fill(place.code(user))
        with page.expect_navigation():
            page.keyboard.press("Enter")
    page.locator("header .account").wait_for()


def open_door(page: "Page", address: str, born: date) -> None:
    """A patient's own page: the link, then the date of birth in three numbers."""
    page.goto(address)
    for label, number in (("Month", born.month), ("Day", born.day), ("Year", born.year)):
        page.get_by_label(label, exact=True).fill(str(number))
    page.keyboard.press("Enter")
    page.locator(".tell").wait_for()
