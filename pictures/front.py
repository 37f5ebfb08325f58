"""The pictures of the README: one of each audience's own page, small, from the demo clinic."""

from typing import TYPE_CHECKING

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
            page.screenshot(path=SHOWN / f"{name}.png")
        said.append(_about(name))
    with fresh(chromium, place, width=400, height=820) as page:
        open_door(page, subjects.pages["me:page"], subjects.born)
        page.screenshot(path=SHOWN / "patient.png")
    return [*said, _about("patient")]


def _about(name: str) -> str:
    size = (SHOWN / f"{name}.png").stat().st_size
    return f"docs/pictures/{name}.png: {size / 1000:.0f} kB{' (too large)' if size > MOST_BYTES else ''}"
