"""Axe finds nothing, no rule off, on every page of the URL resolver and on what pages turn into when used:
in light at a desk and in dark on a phone. No page is wider than a small phone.
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from django.urls import reverse
from playwright.sync_api import Page, expect

from resupply.models import Dispense
from resupply.services import back_orders, feeds, plans
from resupply.web.today_lists import LISTS
from tests.builders import (
    NOW,
    TODAY,
    make_answer,
    make_batch,
    make_contact,
    make_dispense,
    make_event,
    make_upload,
)
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.web.addresses import addresses_of

pytestmark = pytest.mark.browser

# a POST, a calendar, tables
NO_PAGE = {
    "logout",
    *("second_step", "passkey_ask", "kept_form", "stay", "passkey_begin", "factor_remove", "recovery_codes"),
    *("sign_in_end", "sign_ins_end", "people_invite", "people_withdraw", "people_act"),
    *("fhir:metadata", "fhir:search", "fhir:search_by_post", "fhir:read", "fhir:root", "fhir:nothing"),
    "feed:calendar",
    "text_inbound",
    "text_delivery",
    *("manager:step_aside", "manager:step_up", "manager:steps_away"),
    "manager:overdue_csv",
    "manager:overdue_xlsx",
    "manager:missing_csv",
    "manager:history_csv",
    "manager:history_xlsx",
    "manager:disclosures_csv",
    "manager:measures_csv",
    "manager:policy_csv",
    "manager:catalogue_csv",
    "manager:outlook_csv",
    "worklist_csv",
    "job_file",
    "stock:csv",
    "desk:book_csv",
    "desk:slip_pdf",
    "manager:packet_pdf",
    "manager:packet_json",
    "manager:recall_reach_csv",
    "therapist:care_sheet_pdf",
    "desk:import_template",
    "desk:import_failed",
}
SIGNED_OUT = {"login"}
OWN = {"job", "job_file", "job_again", "job_drop", "manager:overdue_undo", "manager:view_remove"}
OWN |= {"desk:emergency_end"}
"""Pages of the manager who asked for a job or saved a view, and of nobody else."""
OF_THERAPISTS = {f"therapist:{name}" for name in ("plan_new", "plan_void", "matching_new", "matching_void")}
"""Who may change policy is led from them to a draft."""
BEHIND_A_DOOR = "me:"  # but for these they ask who it is: test_own_page.py looks at them
BEFORE_IT = {"me:page", "me:help", "me:help_topic"}
PHONE, NARROWEST = 390, 360
PARTS = 3  # of the walk, so that the processes of a run share it
LOOK = """() => axe.run({resultTypes: ['violations'], preload: false}).then(
    found => found.violations.map(
        rule => [rule.id, rule.nodes[0].html.slice(0, 200), rule.nodes[0].failureSummary]))"""
"""Every rule that is on by default; none needs the style sheets of other hosts that `preload` would fetch."""
OUT_OF_SIGHT = """() => [...document.querySelectorAll('.top-nav a')].filter(
    place => place.getBoundingClientRect().right > innerWidth).map(place => place.textContent)"""


@pytest.fixture
def stage(cast: Cast) -> dict[str, str]:
    """Odalys with every mark that a page can show, Tevin with an open pause; one address of every view."""
    person = cast.odalys
    person.email = "a.rather.long.name.of.a.mailbox.that.fits.no.narrow.column@patients.example"
    person.save()
    make_event(person, "refit", on=TODAY - timedelta(days=300))
    make_event(person, "loss", on=TODAY - timedelta(days=90), voided_at=NOW, void_reason="another person")
    dispense = _give(person, 70, {"quantity": 2, "lot": "L7"}, {"part_code": "A7034"}, {"part_code": "A7046"})
    _give(person, 90, {"part_code": "A7037"})
    _give(person, 4, {"part_code": "A7038", "quantity": 3, "exception_reason": "lost in the post"})
    _give(person, 20, {"part_code": "A7037"}).lines.update(voided_at=NOW, void_reason="wrong size")
    _give(cast.tevin, 50, {})
    pause = make_event(cast.tevin, "pause", on=TODAY - timedelta(days=3))
    plans.refresh_plans([person.pk, cast.tevin.pk], now=NOW)
    make_answer(person, needs_person=True, note="moves in May", items=[{"condition": "leaks", "quantity": 2}])
    make_contact(person, outcome="left_word", note="with the wife", again_on=TODAY)
    back_orders.back_order(
        patient=person, location=person.location, item=None, kind="tubing", part_code="A7037", quantity=1,
        expected_on=TODAY, by=None, now=NOW,
    )  # fmt: skip
    calendar = feeds.subscribe(person, feeds.Options(label="tablet"), by=None, now=NOW)
    pages = addresses_of(person, dispense=dispense, event=pause, calendar=calendar)
    slips = {
        "a slip to sign": _give(person, 4, {"exception_reason": "x"}),
        "a void slip": _give(person, 5, {}),
    }
    slips["a void slip"].lines.update(voided_at=NOW, void_reason="wrong size")
    Dispense.objects.filter(pk=slips["a void slip"].pk).update(voided_at=NOW, void_reason="wrong size")
    pages |= {name: reverse("desk:slip", args=[slip.public_id]) for name, slip in slips.items()}
    pages |= {f"the list {slug}": reverse("worklist", args=[slug]) for slug in LISTS}
    pages |= {
        f"a list {state}": reverse("desk:import_upload", args=[make_upload(state=state).public_id])
        for state in ("checking", "committed", "failed", "dropped")
    }
    make_batch(undone_at=NOW, undo_reason="the list of another clinic")
    return pages | {"a paused patient": reverse("desk:patient", args=[cast.tevin.public_id])}


def _give(patient: Any, days_ago: int, *lines: dict[str, object]) -> Any:
    return make_dispense(patient, on=TODAY - timedelta(days=days_ago), lines=lines)


class Critic:
    """Looks at a page as it stands and keeps what it finds; `on_phone`: once more in dark at the width of a
    phone, without loading it again (what is shown depends on the style sheet alone).
    """

    def __init__(self, *, on_phone: bool = False) -> None:
        self.found, self.on_phone = list[str](), on_phone

    def look(self, page: Page, name: str) -> None:
        size = page.viewport_size
        assert size
        page.wait_for_load_state()
        page.evaluate(AXE_SCRIPT)
        self._run(page, name)
        if self.on_phone:
            page.set_viewport_size({"width": PHONE, "height": size["height"]})
            page.emulate_media(color_scheme="dark")
            self._run(page, f"{name}, dark on a phone")
            page.emulate_media(color_scheme="light")
        page.set_viewport_size({"width": NARROWEST, "height": size["height"]})
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > NARROWEST:
            self.found.append(f"{name}: {wide} pixels wide on a phone of {NARROWEST}")
        for place in page.evaluate(OUT_OF_SIGHT):
            self.found.append(f"{name}: {place} lies outside of a phone of {NARROWEST}")
        page.set_viewport_size(size)

    def _run(self, page: Page, name: str) -> None:
        self.found += [f"{name}: {' | '.join(rule)}" for rule in page.evaluate(LOOK)]


def test_faults_are_seen(window: OpenWindow, transactional_db: None) -> None:
    critic, page = Critic(on_phone=True), window()
    page.set_content(
        "<style>:root { color-scheme: light dark } @media (prefers-color-scheme: dark)"
        "{ p { color: #222; background: #111 } } @media (width < 720px) { u { color: #333 } }"
        "</style><nav class='top-nav'><a>First place</a><a style='margin-left: 400px'>Last place</a></nav>"
        "<input><u>dim on a phone</u><p>hardly to be read</p><pre>" + "far out " * 80
    )
    critic.look(page, "bad")
    told = " ".join(critic.found)
    assert "bad: label" in told
    assert "bad: color-contrast" not in told
    assert "bad, dark on a phone: color-contrast" in told
    assert "pixels wide on a phone of 360" in told
    assert "Last place lies outside of a phone" in told


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_every_page(window: OpenWindow, cast: Cast, stage: dict[str, str], part: int) -> None:
    everything = cast.user("administrator")  # no page is closed to this role
    critic, known, unknown = Critic(on_phone=True), window(user=everything), window()
    manager, therapist = window(user=cast.user("manager")), window(user=cast.user("therapist"))
    for name, address in list(stage.items())[part::PARTS]:
        if name in NO_PAGE or (name.startswith(BEHIND_A_DOOR) and name not in BEFORE_IT):
            continue
        page = unknown if name in SIGNED_OUT else manager if name in OWN else known
        if name in OF_THERAPISTS:
            page = therapist
        answer = page.goto(address)
        assert answer is not None
        if (answer.status, page.url.endswith(address)) != (200, True):
            critic.found.append(f"{name}: {answer.status}, led to {page.url}")
            continue
        critic.look(page, name)
    assert critic.found == []


@pytest.mark.long
def test_every_page_in_use(window: OpenWindow, cast: Cast, stage: dict[str, str]) -> None:
    """Lists that have opened, forms that were refused, what is shown once, doors that stay shut."""
    critic, page = Critic(on_phone=True), window(user=cast.user("manager"))
    uses = (open_whys, open_why_of_a_date, type_a_name, find_nobody, be_refused, see_an_address)
    for use in (*uses, open_help):
        for name in use(page, stage):
            critic.look(page, f"{use.__name__}: {name}")
    page.goto(reverse("desk:patient", args=[UUID(int=0)]))
    critic.look(page, "not found")
    stranger = window(user=cast.user("outsider"))
    stranger.goto("/")
    critic.look(stranger, "not allowed")
    nobody = window()
    nobody.goto(stage["login"])
    nobody.get_by_label("User name").fill("ines")
    nobody.get_by_label("Password").fill("wrong")
    nobody.get_by_role("button", name="Sign in").click()
    nobody.get_by_role("alert").wait_for()
    critic.look(nobody, "sign-in refused")
    assert critic.found == []


def open_whys(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["desk:patient"])
    page.get_by_text("why?").first.click()
    page.locator(".why-body .why-group").first.wait_for()
    page.evaluate("document.querySelectorAll('.why-body details').forEach(steps => steps.open = true)")
    page.get_by_text("shipped life of").first.wait_for()
    yield "a line"


def open_why_of_a_date(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["desk:patient"])
    page.get_by_role("region", name="What may be dispensed today").locator("summary").nth(1).click()
    page.get_by_text("shipped life of").first.wait_for()
    yield "worn on"


def type_a_name(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["home"])
    page.get_by_role("combobox", name="Find a patient").press_sequentially("o")
    page.get_by_role("option").first.wait_for()
    page.keyboard.press("ArrowDown")
    yield "somebody"
    page.get_by_role("combobox", name="Find a patient").press_sequentially("xyz")
    page.get_by_text("Nobody found.").wait_for()
    yield "nobody"


def find_nobody(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["desk:find"])
    page.get_by_role("searchbox").last.fill("Nobody of that name")
    page.get_by_role("button", name="Find").last.click()
    page.get_by_role("link", name="Add a new patient").wait_for()
    yield "by the form"


def be_refused(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["desk:dispense"])
    page.get_by_role("group", name="Cushion").get_by_label("Quantity").fill("0")
    for name in ("More", "Log the dispense"):
        page.get_by_text(name, exact=True).first.click()
    page.get_by_role("alert").wait_for()
    yield "a dispense"
    page.get_by_label("Scan", exact=True).fill("no code")
    page.get_by_role("button", name="Add scanned part").click()
    page.get_by_text("This is no code of a part.").wait_for()
    yield "a scan"
    page.goto(stage["desk:answer"])
    page.get_by_role("button", name="Record the answer").click()
    page.get_by_role("alert").wait_for()
    yield "an answer"
    for name, button in (
        ("desk:swap", "Log the swap"),
        ("desk:edit", "Save"),
        ("desk:dispense_void", "Void the dispense"),
    ):
        page.goto(stage[name])
        for box in page.locator("main [required]").all():
            box.evaluate("box => { if (box.type !== 'checkbox') box.value = ''; }")
        page.get_by_role("button", name=button).click()
        page.get_by_role("alert").wait_for()
        yield name


def open_help(page: Page, stage: dict[str, str]) -> Iterator[str]:
    """Beside a form: what is typed there stays, and Escape leads back to it."""
    page.goto(stage["desk:contact"])
    page.get_by_label("Note").fill("half a word")
    page.keyboard.press("F1")
    panel = page.get_by_role("dialog")
    panel.get_by_role("heading", name="Log a call").wait_for()
    yield "a topic"
    panel.get_by_label("Search in help").fill("wrong size")
    panel.get_by_role("button", name="Search").click()
    panel.locator("mark").first.wait_for()
    yield "what was found"
    panel.get_by_role("heading", name="Help").focus()
    page.keyboard.press("Escape")
    panel.wait_for(state="hidden")
    expect(page.get_by_label("Note")).to_have_value("half a word")


def see_an_address(page: Page, stage: dict[str, str]) -> Iterator[str]:
    page.goto(stage["desk:calendar"])
    page.get_by_role("button", name="Make the calendar").click()
    page.get_by_label("Calendar address").wait_for()
    yield "shown once"
