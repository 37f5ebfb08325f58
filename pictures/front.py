"""The pictures of the README: one of each audience's page, small, from the demo clinic as it is loaded."""

import json
from datetime import datetime
from io import BytesIO, StringIO
from typing import TYPE_CHECKING

from PIL import Image

from pictures.place import ROOT, Place
from pictures.walk import load
from pictures.window import fresh, open_door, sign_in

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SHOWN = ROOT / "docs" / "pictures"
MOST_BYTES = 150_000


def take(chromium: "Browser", place: Place) -> list[str]:
    """Write all four; returns a line about each."""
    SHOWN.mkdir(parents=True, exist_ok=True)
    said = []
    for name, address, height in _of_staff():
        with fresh(chromium, place, width=1280, height=height) as page:
            sign_in(page, place, name)
            load(page, address)
            page.evaluate("document.activeElement?.blur()")
            said.append(_keep(name, page.screenshot()))
    address, born = _own_page()
    with fresh(chromium, place, width=400, height=820) as page:
        open_door(page, address, born)
        said.append(_keep("patient", page.screenshot()))
    return said


def _of_staff() -> list[tuple[str, str, int]]:
    """Who looks, at what, and how much of it is shown."""
    from django.urls import reverse

    from resupply.models import Patient
    from resupply.services.demo.people import SIGNATURE_REFERENCE

    person = Patient.objects.get(reference=SIGNATURE_REFERENCE).public_id
    return [
        ("desk", reverse("desk:patient", args=[person]), 800),
        ("therapist", reverse("therapist:match", args=[person]), 800),
        ("manager", reverse("manager:overdue"), 1060),
    ]


def _own_page() -> tuple[str, datetime]:
    """A new link to the demo patient's own page, and the birth date that opens it."""
    from django.core.management import call_command

    printed = StringIO()
    call_command("demo_patient_link", stdout=printed)
    found = json.loads(printed.getvalue())
    return found["address"], datetime.strptime(found["born"], "%d %b %Y")  # noqa: DTZ007 - a calendar date


def _keep(name: str, png: bytes) -> str:
    """Write a picture in a palette of its own, a third of the size; returns a line about it."""
    picture = Image.open(BytesIO(png)).convert("RGB").quantize(128, dither=Image.Dither.NONE)
    picture.save(SHOWN / f"{name}.png", optimize=True)
    size = (SHOWN / f"{name}.png").stat().st_size
    return f"docs/pictures/{name}.png: {size / 1000:.0f} kB{' (too large)' if size > MOST_BYTES else ''}"
