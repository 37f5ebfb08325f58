"""What pages turn into when they are used: lists that open, forms that are refused."""

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

Pages = dict[str, str]


def why(page: "Page", pages: Pages) -> None:
    """A line's reasons, all steps."""
    page.goto(pages["desk:patient"])
    page.locator(".strip-row .why summary").first.click()
    page.locator(".why-body .why-group, .why-body .steps").first.wait_for()
    page.evaluate("document.querySelectorAll('.why-body details').forEach((steps) => { steps.open = true; })")
    page.wait_for_load_state("networkidle")


def why_of_a_value(page: "Page", pages: Pages) -> None:
    """The reasons of one number of a table, over the page."""
    page.goto(pages["desk:patient"])
    page.locator(".why-cell summary").nth(1).click()
    page.locator(".why-cell[open] .why-body").wait_for()
    page.wait_for_load_state("networkidle")


def found(page: "Page", pages: Pages) -> None:
    """Patients found as somebody types."""
    page.goto(pages["home"])
    page.get_by_role("combobox", name="Find a patient").press_sequentially("o")
    page.get_by_role("option").first.wait_for()
    page.keyboard.press("ArrowDown")


def account(page: "Page", pages: Pages) -> None:
    """The menu of one's own sign-in."""
    page.goto(pages["home"])
    page.locator("header .account summary").click()


def refused_dispense(page: "Page", pages: Pages) -> None:
    """A dispense that cannot be logged so, with the rows' further fields open."""
    page.goto(pages["desk:dispense"])
    page.locator(".dispense-row .dispense-quantity input").first.fill("0")
    page.locator(".dispense-row .dispense-quantity input").nth(1).fill("99")
    page.locator(".dispense-row > details > summary").first.click()
    page.get_by_role("button", name="Log the dispense").click()
    page.get_by_role("alert").first.wait_for()


def refused_answer(page: "Page", pages: Pages) -> None:
    """An answer without a way it came."""
    page.goto(pages["desk:answer"])
    page.get_by_role("button", name="Record the answer").click()
    page.get_by_role("alert").first.wait_for()


def refused_swap(page: "Page", pages: Pages) -> None:
    """A form of the small sort, sent empty."""
    page.goto(pages["desk:swap"])
    for box in page.locator("main [required]:not([type=checkbox])").all():
        box.evaluate("(box) => { box.value = ''; }")
    page.locator("main form button[type=submit]").last.click()
    page.get_by_role("alert").first.wait_for()


BY_STAFF: dict[str, Callable[["Page", Pages], None]] = {
    "in use, why": why,
    "in use, why of a value": why_of_a_value,
    "in use, found": found,
    "in use, account": account,
    "in use, dispense refused": refused_dispense,
    "in use, answer refused": refused_answer,
    "in use, swap refused": refused_swap,
}
"""By the name of their picture; every role of the staff may do them."""
