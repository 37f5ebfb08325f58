"""Every component looks as it did, at the width of a desk and of a phone, in light and dark: part by part
against small pictures that are kept (`gallery_pictures.py` says how they are renewed).
"""

import os
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pytest
import reportlab
from django.contrib.staticfiles import finders
from django.test import RequestFactory
from PIL import Image

from tests.journeys.gallery_pictures import BOXES, Parts, compare, keep, kept, parts

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route

pytestmark = pytest.mark.browser

HOME = "http://gallery.example/"
TYPEFACE = (Path(reportlab.__file__).parent / "fonts" / "Vera.ttf").read_bytes()
STEADY = """
@font-face { font-family: steady; src: url(/steady.ttf) }
:root { --serif: steady !important; --sans: steady !important }
progress:not([value]) { visibility: hidden }
"""
"""One typeface everywhere; and what moves by itself is left out."""
SETTLED = """() => Promise.all([400, 600, 700].map((heavy) => document.fonts.load(`${heavy} 16px steady`)))
  .then(() => document.fonts.ready)
  .then(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true)))))"""
VIEWS = (("staff", "", 1280), ("staff", "", 390), ("patient", "?page=phone", 390))
SPOILT = {
    "document.documentElement.style.setProperty('--ochre', '#57646d')": "words",
    "document.querySelector('[data-part=strip] .unit-spare').remove()": "strip",
    "document.querySelector('[data-part=empty] .empty').style.paddingTop = '48px'": "empty",
}
"""A colour of another, a mark that is missing, a space that has grown; and the part that shows it."""
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def _answer(route: "Route") -> None:
    """The gallery as the view gives it, and files from where they lie; no server, no database."""
    from resupply.web.gallery import gallery

    path = route.request.url.removeprefix(HOME)
    if path == "steady.ttf":
        route.fulfill(body=TYPEFACE, content_type="font/ttf")
    elif path.startswith("static/") and (file := finders.find(path.removeprefix("static/"))):
        route.fulfill(path=file)
    elif path in ("", "?page=phone"):
        route.fulfill(body=gallery(RequestFactory().get(f"/{path}")).content, content_type="text/html")
    else:
        route.abort()


@pytest.fixture
def page(browser: "Browser") -> "Iterator[Page]":
    context = browser.new_context(locale="en-US", reduced_motion="reduce")
    context.route("**/*", _answer)
    yield context.new_page()
    context.close()


def _open(page: "Page", query: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(HOME + query)
    page.add_style_tag(content=STEADY)
    page.evaluate(SETTLED)


def _look(page: "Page") -> Parts:
    boxes = page.evaluate(BOXES)
    return parts(page.screenshot(full_page=True, type="jpeg", quality=90), boxes)  # half the time of a PNG


def _look_at(page: "Page", part: str) -> Image.Image:
    """One part alone."""
    picture = page.locator(f"[data-part={part}]").screenshot(type="jpeg", quality=90)
    width, height = Image.open(BytesIO(picture)).size
    return parts(picture, [(part, 0, 0, width, height)])[part]


def test_every_component_looks_as_it_did(page: "Page") -> None:
    wrong = []
    for audience, query, width in VIEWS:
        _open(page, query, width)
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            name, found = f"{audience}-{width}-{scheme}", _look(page)
            if os.environ.get("RENEW_GALLERY"):
                keep(name, found)
            before = kept(name)
            assert list(found) == list(before), name
            for part, picture in found.items():
                difference = compare(picture, before[part])
                wrong += [f"{name}, {part}: {difference}"] if difference.is_seen else []
    assert wrong == []


def test_a_component_that_looks_other_is_seen(page: "Page") -> None:
    _open(page, "", 1280)
    for spoil, part in SPOILT.items():
        good = _look_at(page, part)
        assert not compare(_look_at(page, part), good).is_seen, part
        page.evaluate(spoil)
        assert compare(_look_at(page, part), good).is_seen, part
