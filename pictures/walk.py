"""The walk: every page as every role, photographed at three widths in light and dark and as printed; each is
loaded with nothing cached and timed the first time it is seen.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pictures.place import FOLDER, MORNING, ROLES, Place
from pictures.speed import Meter, Seen
from pictures.subjects import Subjects
from pictures.uses import BY_STAFF
from pictures.window import Scheme, fresh, open_door, sign_in

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Response

WIDTHS = (1440, 768, 360)
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
PAPER = 695
"""Pixels of 96 to the inch across a sheet of ISO A4 within the margins of the style sheet."""
STAMP = "document.querySelectorAll('[data-printed]').forEach((place) => { place.textContent = '%s'; })"


@dataclass(slots=True)
class Walk:
    """One walk: what it looks for (`only`: words of which a name must hold one), what it found."""

    chromium: "Browser"
    place: Place
    subjects: Subjects
    only: tuple[str, ...] = ()
    shoots: bool = True
    seen: list[Seen] = field(default_factory=list)
    taken: dict[str, list[str]] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    _timed: set[str] = field(default_factory=set)

    def of_staff(self, roles: tuple[str, ...]) -> None:
        """Every page behind the sign-in, as each of these roles."""
        for role in roles:
            with fresh(self.chromium, self.place, width=WIDTHS[0]) as page:
                sign_in(page, self.place, role)
                known = page.context.storage_state()
            for name, address in self.subjects.of_staff():
                self._page(role, name, address, known)
            for name, use in BY_STAFF.items():
                self._use(role, name, use, known)

    def of_patients(self) -> None:
        """A patient's own pages; the first shows the question for the date of birth as well."""
        pages = dict(self.subjects.of_patients())
        known: Any = None
        if "me:page" in pages:
            self._page("patient", "the door", pages["me:page"], None)
            with fresh(self.chromium, self.place, width=WIDTHS[0]) as page:
                open_door(page, pages["me:page"], self.subjects.born)
                known = page.context.storage_state()
        for name, address in pages.items():
            self._page("patient", name, address, known)

    def of_nobody(self) -> None:
        """Sign-in, its second step, an invitation, and an address that leads nowhere."""
        for name, address in self.subjects.of_nobody():
            self._page("nobody", name, address, None, statuses=(200, 404))
        self._use("nobody", "second step", self._to_second_step, None)

    def _to_second_step(self, page: "Page", pages: dict[str, str]) -> None:
        page.goto("/sign-in/")
        page.locator("[name=username]").fill(ROLES[0])
        page.locator("[name=password]").fill(self.place.passwords[ROLES[0]])
        page.keyboard.press("Enter")
        page.locator("[name=code]").wait_for()

    def _wanted(self, name: str) -> bool:
        return not self.only or any(word in name for word in self.only)

    def _page(
        self, role: str, name: str, address: str, known: Any, statuses: tuple[int, ...] = (200,)
    ) -> None:
        """Load a page where this role may see it, time it, photograph it."""
        if not self._wanted(name):
            return
        widths = (WIDTHS[0], WIDTHS[-1]) if name not in self._timed else (WIDTHS[0],)
        for width in reversed(widths):  # the last one is photographed
            with fresh(self.chromium, self.place, width=width, known=known) as page:
                meter = Meter(page, Seen(name, role, width))
                meter.start()
                answer = load(page, address)
                if answer is None or answer.status not in statuses or not page.url.endswith(address):
                    self._note(role, name, answer)
                    return
                if name not in self._timed:
                    self.seen.append(meter.read())
                if width == WIDTHS[0]:
                    self._shoot(page, role, name)
        self._timed.add(name)

    def _note(self, role: str, name: str, answer: "Response | None") -> None:
        """An address that shows this role no page: a file, a form alone, somebody else's. Faults are kept."""
        if answer is not None and answer.status >= 500:
            self.refused.append(f"{role}: {name}: {answer.status}")

    def _use(self, role: str, name: str, use: Callable[["Page", dict[str, str]], None], known: Any) -> None:
        if not self._wanted(name):
            return
        from playwright.sync_api import Error

        with fresh(self.chromium, self.place, width=WIDTHS[0], known=known) as page:
            try:
                use(page, self.subjects.pages)
            except Error as error:
                self.refused.append(f"{role}: {name}: {error.message.splitlines()[0]}")
                return
            self._shoot(page, role, name)

    def _shoot(self, page: "Page", role: str, name: str) -> None:
        """Pictures at every width in both schemes, then as printed; the page is not loaded again."""
        if not self.shoots:
            return
        folder = FOLDER / role
        folder.mkdir(parents=True, exist_ok=True)
        for path, take in shots(page, folder, slug(name)):
            take()
            self.taken.setdefault(role, []).append(path.name)


NO_PAGE = ("Download is starting", "ERR_ABORTED", "ERR_HTTP_RESPONSE_CODE_FAILURE")
"""What the browser says of a file, or of an answer that has nothing to show."""


def load(page: "Page", address: str) -> "Response | None":
    """Open an address and wait until it is at rest; None: it is no page (a file, or it takes forms alone)."""
    from playwright.sync_api import Error

    answers: list[Response] = []
    page.on("response", lambda one: answers.append(one) if one.request.is_navigation_request() else None)
    try:
        page.goto(address)
        page.wait_for_load_state("networkidle")
    except Error as error:
        if not any(words in error.message for words in NO_PAGE):
            raise
    last = answers[-1] if answers else None
    is_page = last is not None and last.headers.get("content-type", "").startswith("text/html")
    return last if last is not None and (is_page or last.status >= 500) else None


def shots(page: "Page", folder: Path, name: str) -> Iterator[tuple[Path, Callable[[], object]]]:
    """The pictures of a page as it stands: a path, and what takes it."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            path = folder / f"{name}-{width}-{scheme}.png"
            yield path, lambda path=path: page.screenshot(path=path, full_page=True)
    page.evaluate(STAMP % MORNING.strftime("%d %b %Y, %H:%M"))
    page.set_viewport_size({"width": PAPER, "height": 983})
    page.emulate_media(media="print", color_scheme="light")
    path = folder / f"{name}-print.png"
    yield path, lambda: page.screenshot(path=path, full_page=True)


def slug(name: str) -> str:
    """`desk:patient` -> `desk-patient`."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
