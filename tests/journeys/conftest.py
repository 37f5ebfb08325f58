"""A real Chromium on the real application: Django's own server on a free port, on the suite's usual day.

A page that throws, breaks its security policy, asks another host for something or gets a broken answer fails
its test at the end, whatever the test looked at.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Literal

import pytest
import time_machine

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Request, Response
    from pytest_django.live_server_helper import LiveServer

    from clinic.accounts.models import User
    from tests.cast import Cast

PATIENCE = 15_000  # milliseconds for a page or an element to come
QUIET = [
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-gpu",
    "--disable-quic",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """Debian's Chromium, headless; root needs it without its sandbox."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("Chromium is not installed (Debian's package chromium)")
    from playwright.sync_api import sync_playwright

    arguments = [*QUIET, "--no-sandbox"] if os.geteuid() == 0 else QUIET
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        # Playwright keeps an event loop in this thread, which Django would take for asynchronous code.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        chromium = playwright.chromium.launch(executable_path=path, args=arguments)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session", autouse=True)
def _style_sheets_are_kept() -> Iterator[None]:
    """A browser keeps style sheets and scripts, as in a deployment, where each has its own name: asked for
    with every page they are most of what is asked. For years: its clock is not the server's.
    """
    from django.contrib.staticfiles.handlers import StaticFilesHandler
    from django.http import HttpRequest, HttpResponseBase

    serve = StaticFilesHandler.serve

    def kept(handler: StaticFilesHandler, request: HttpRequest) -> HttpResponseBase:
        answer = serve(handler, request)
        answer["Cache-Control"] = f"max-age={10 * 365 * 86_400}"
        return answer

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(StaticFilesHandler, "serve", kept)
        yield


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    """It is 2026-03-18, 15:00 UTC, morning in both rooms, in the server's threads too; the clock runs."""
    from tests.builders import NOW  # models can be imported only once the settings are loaded

    with time_machine.travel(NOW, tick=True):
        yield


@pytest.fixture
def cast(transactional_db: None) -> "Cast":
    """The cast, committed: the server's threads see it through connections of their own."""
    from tests.cast import make_cast

    return make_cast()


UNANSWERED = ("htmx:afterRequest", "htmx:sendAbort", "htmx:sendError")
"""What htmx says of a request that got no answer, as of one under way when somebody goes to another page."""
LEFT_BEHIND = "net::ERR_ABORTED"
"""How Chromium calls that; a server that does not answer is called otherwise."""


class Watch:
    """What went wrong in a window."""

    def __init__(self, page: "Page", home: str) -> None:
        self.home = home
        self.wrong: list[str] = []
        page.on("pageerror", lambda error: self.wrong.append(f"script: {error}"))
        page.on("console", self._console)
        page.on("request", self._request)
        page.on("requestfailed", self._failed)
        page.on("response", self._response)

    def _console(self, said: "ConsoleMessage") -> None:
        # That an answer was refused is said by the answers themselves, below.
        if said.type == "error" and not said.text.startswith(("Failed to load resource", *UNANSWERED)):
            self.wrong.append(f"console: {said.text}")

    def _request(self, request: "Request") -> None:
        if not request.url.startswith((self.home, "data:")):
            self.wrong.append(f"asked elsewhere: {request.url}")

    def _failed(self, request: "Request") -> None:
        if request.failure != LEFT_BEHIND:
            self.wrong.append(f"{request.failure}: {request.url}")

    def _response(self, response: "Response") -> None:
        is_page = response.request.is_navigation_request()
        if response.status >= (500 if is_page else 400):
            self.wrong.append(f"{response.status}: {response.url}")


OpenWindow = Callable[..., "Page"]


@pytest.fixture
def window(browser: "Browser", live_server: "LiveServer", settings: Any) -> Iterator[OpenWindow]:
    """Opens windows, each in a profile of its own: `window(width=390, scripts=False)`. With `user`, somebody
    signed in before; without, it knows nobody.
    """
    settings.PUBLIC_URL = live_server.url
    contexts, watches = [], []

    def open_window(
        *,
        width: int = 1280,
        height: int = 900,
        scheme: Literal["light", "dark"] = "light",
        scripts: bool = True,
        user: "User | None" = None,
    ) -> "Page":
        context = browser.new_context(
            base_url=live_server.url,
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            java_script_enabled=scripts,
            locale="en-US",
            reduced_motion="reduce",
        )
        context.set_default_timeout(PATIENCE)
        if user is not None:
            session = _session_of(user)
            context.add_cookies([{"name": "sessionid", "value": session, "url": live_server.url}])
        page = context.new_page()
        contexts.append(context)
        watches.append(Watch(page, live_server.url))
        return page

    yield open_window
    for context in contexts:
        context.close()
    assert [wrong for watch in watches for wrong in watch.wrong] == []


def _session_of(user: "User") -> str:
    from django.test import Client

    client = Client()
    client.force_login(user)
    return client.cookies["sessionid"].value
