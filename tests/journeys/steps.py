"""What people do in a window, and the records they find when they come."""

from datetime import UTC, date, datetime

from django.urls import reverse
from playwright.sync_api import Locator, Page

from clinic.accounts.models import User
from resupply.models import Dispense, Patient
from resupply.services.dispensing import NewLine, record_dispense
from tests.builders import PASSWORD, make_item
from tests.cast import Cast


class Thumb:
    """Counts what it touches."""

    def __init__(self) -> None:
        self.taps = 0

    def tap(self, target: Locator) -> None:
        target.scroll_into_view_if_needed()
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 44  # WCAG 2.2, success criterion 2.5.5
        target.click()
        self.taps += 1


def sign_in(page: Page, user: User, password: str = PASSWORD) -> None:
    """Through the form, as a person does."""
    user.set_password(PASSWORD)
    user.save()
    page.goto("/")
    page.get_by_label("User name").fill(user.get_username())
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def fits(page: Page) -> bool:
    """Whether nothing is wider than the window. Measured once the page is all there: its text can be found
    before its style sheet has come.
    """
    page.wait_for_load_state()
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def patient_page(patient: Patient) -> str:
    """Where the desk sees a patient."""
    return reverse("desk:patient", args=[patient.public_id])


def give(patient: Patient, on: date, *lines: NewLine) -> Dispense:
    """A dispense recorded at noon of its day, with the plan that follows from it."""
    return record_dispense(
        patient=patient,
        location=patient.location,
        dispensed_on=on,
        lines=lines,
        by=None,
        now=datetime(on.year, on.month, on.day, 18, tzinfo=UTC),
    )


def let_fall_behind(cast: Cast) -> Dispense:
    """Odalys got three parts on 1 November, and nothing since: each ran out on 1 February.

    Three cushions of one month each, one mask and one tubing of three months each (common practice, the
    shipped lives). Tevin's one cushion ran out on 1 February too.
    """
    cushion = make_item(name="Nasal cushion", size="M")
    mask = make_item(name="Nasal mask", size="M", kind="mask", part_code="A7034")
    give(cast.tevin, date(2026, 1, 1), NewLine(part_code="A7032", quantity=1))
    return give(
        cast.odalys,
        date(2025, 11, 1),
        NewLine(item=cushion, quantity=3, lot="L-2291"),
        NewLine(item=mask, quantity=1),
        NewLine(part_code="A7037", quantity=1),
    )
