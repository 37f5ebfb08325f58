"""A real Chromium on a real server. A page that breaks its security policy or throws fails its test."""

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PATIENCE = 10_000  # milliseconds for a page or an element to come


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """Debian's Chromium, headless; root needs it without its sandbox."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("Chromium is not installed (Debian's package chromium)")
    from playwright.sync_api import sync_playwright

    # Playwright keeps an event loop in this thread, which Django would take for asynchronous code.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    quiet = [
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
    ]
    if os.geteuid() == 0:
        quiet.append("--no-sandbox")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=quiet)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser: "Browser") -> "Iterator[Page]":
    """A fresh window of a browser that knows nobody."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, locale="en-US")
    context.set_default_timeout(PATIENCE)
    window = context.new_page()
    wrong: list[str] = []
    window.on("pageerror", lambda error: wrong.append(str(error)))
    window.on(
        "console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None
    )
    yield window
    context.close()
    assert wrong == []
