"""Key presses at the desk: in the search field of every page, and in the form for dispensing."""

from typing import TYPE_CHECKING

from pictures.place import Place
from pictures.speed import Typed, typed
from pictures.subjects import Subjects
from pictures.walk import load
from pictures.window import fresh, sign_in

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


def pressed(chromium: "Browser", place: Place, subjects: Subjects) -> list[Typed]:
    """As somebody at the desk, at a desk's width."""
    with fresh(chromium, place, width=1440) as page:
        sign_in(page, place, "desk")
        load(page, subjects.pages["home"])
        return [*_search(page), *_dispense(page, subjects)]


def _search(page: "Page") -> list[Typed]:
    page.get_by_role("combobox", name="Find a patient").focus()
    found = [typed(page, "search, a name", "odalys", answer="#find-results")]
    page.keyboard.press("Home")
    return [*found, typed(page, "search, before what is there", "mw")]


def _dispense(page: "Page", subjects: Subjects) -> list[Typed]:
    load(page, subjects.pages["desk:dispense"])
    row = page.locator(".dispense-row").first
    row.locator("input[type=number]").first.focus()
    found = [typed(page, "dispense, quantity", "12")]
    page.locator("[data-scan]").first.focus()
    found.append(typed(page, "dispense, scan", "0109501101"))
    return found
