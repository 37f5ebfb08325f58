"""The pictures of the README: one of each audience's own page, small, from the demo clinic."""

from io import BytesIO
from typing import TYPE_CHECKING

from PIL import Image

from pictures.place import ROOT, Place
from pictures.subjects import Subjects
from pictures.walk import load
from pictures.window import fresh, open_door, sign_in

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SHOWN = ROOT / "docs" / "pictures"
MOST_BYTES = 150_000
OF_STAFF = {
    "desk": ("desk", "desk:patient"),
    "therapist": ("therapist", "therapist:match"),
    "manager": ("manager", "manager:overdue"),
}
"""By the name of the picture: who looks, and at what."""


def take(chromium: "Browser", place: Place, subjects: Subjects) -> list[str]:
    """Write all four; returns a line about each."""
    SHOWN.mkdir(parents=True, exist_ok=True)
    said = []
    for name, (role, view) in OF_STAFF.items():
        with fresh(chromium, place, width=1280, height=800) as page:
            sign_in(page, place, role)
            load(page, subjects.pages[view])
            page.evaluate("document.activeElement?.blur()")
            said.append(_keep(name, page.screenshot()))
    with fresh(chromium, place, width=400, height=820) as page:
        open_door(page, subjects.pages["me:page"], subjects.born)
        said.append(_keep("patient", page.screenshot()))
    return said


def _keep(name: str, png: bytes) -> str:
    """Write a picture in a palette of its own, a third of the size; returns a line about it."""
    picture = Image.open(BytesIO(png)).convert("RGB").quantize(128, dither=Image.Dither.NONE)
    picture.save(SHOWN / f"{name}.png", optimize=True)
    size = (SHOWN / f"{name}.png").stat().st_size
    return f"docs/pictures/{name}.png: {size / 1000:.0f} kB{' (too large)' if size > MOST_BYTES else ''}"
