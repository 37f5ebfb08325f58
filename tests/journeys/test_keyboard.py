"""By keyboard alone: Tab comes to everything that can be used, in the order of the page, each with a name
that a screen reader says and a mark that the eye finds (WCAG 2.2: 2.1.1, 2.1.2, 2.4.3, 2.4.7, 4.1.2).
"""

import pytest
from django.urls import reverse
from playwright.sync_api import Page

from resupply.services import doors
from tests.builders import NOW
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind

pytestmark = pytest.mark.browser

USABLE = """() => {
    const kinds = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']";
    const shown = one => one.checkVisibility({visibilityProperty: true}) && !one.disabled && one.tabIndex >= 0
        && !one.closest("details:not([open]) > :not(summary)");
    const all = [...document.querySelectorAll(kinds)].filter(shown);
    const oneOf = name => all.find(one => one.name === name && one.checked)
        ?? all.find(one => one.name === name);
    window.usable = all.filter(one => one.type !== "radio" || oneOf(one.name) === one);
    document.body.tabIndex = -1;
    document.body.focus();
    document.body.removeAttribute("tabindex");
    const jumps = [...document.querySelectorAll("[tabindex]")].filter(one => one.tabIndex > 0);
    return [usable.length, jumps.length];
}"""
"""What can be used on a page as it stands (of radio buttons with one name, Tab comes to one); begins at its
top.
"""

HERE = """() => {
    const one = document.activeElement, style = getComputedStyle(one);
    const says = name => one.getAttribute(name) ?? "";
    const named = says("aria-labelledby").split(" ").map(id => document.getElementById(id));
    const words = [says("aria-label"), one.textContent, one.title,
        ...["submit", "button"].includes(one.type) ? [one.value] : [],
        ...[...named, ...one.labels ?? []].map(other => other?.textContent),
        ...[...one.querySelectorAll("[aria-label]")].map(part => part.ariaLabel)];
    const marked = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
    return [usable.indexOf(one), words.some(word => word?.trim()), marked, one.outerHTML.slice(0, 120)];
}"""
"""Where the focus is: its place among these, whether it has a name and a mark, and how it begins."""
TELL = "places => places.map(place => usable[place].outerHTML.slice(0, 120))"


def walk(page: Page, name: str) -> list[str]:
    """Press Tab through the whole page; return what is wrong with it."""
    page.wait_for_load_state()
    count, jumps = page.evaluate(USABLE)
    assert count > 3, name
    wrong = [f"{name}: {jumps} elements are taken out of the order of the page"] if jumps else []
    reached: list[int] = []
    for _ in range(3 * count):
        page.keyboard.press("Tab")
        place, named, marked, told = page.evaluate(HERE)
        if place < 0:  # past the end
            break
        if place not in reached:  # a date takes three
            reached.append(place)
            wrong += [f"{name}: no name: {told}"] if not named else []
            wrong += [f"{name}: no visible focus: {told}"] if not marked else []
    if missed := sorted({*range(count)} - {*reached}):
        wrong.append(f"{name}: Tab never comes to {page.evaluate(TELL, missed)}")
    elif reached != sorted(reached):
        wrong.append(f"{name}: Tab leaves the order of the page: {reached}")
    return wrong


def test_faults_are_seen(window: OpenWindow) -> None:
    page = window()
    page.set_content(
        "<style>u a { outline: none }</style><a href='#'>1</a><button></button><u><a href='#'>no mark</a></u>"
        "<button tabindex=3>jumps</button><a href='#' onfocus='this.blur()'>never</a>"
    )
    told = " ".join(walk(page, "bad"))
    assert "bad: 1 elements are taken out of the order" in told
    assert "bad: no name: <button></button>" in told
    assert 'bad: no visible focus: <a href="#">no mark' in told
    assert "never</a>" in told


def test_tab_comes_to_everything(window: OpenWindow, cast: Cast) -> None:
    let_fall_behind(cast)
    desk, lead = window(user=cast.user("desk")), window(user=cast.user("manager"))
    therapist, patient = window(user=cast.user("therapist")), window(width=390)
    person = [cast.odalys.public_id]
    link = doors.issue(cast.odalys, by=None, now=NOW)
    wrong: list[str] = []
    for page, name, arguments in (
        (desk, "home", []),
        (desk, "desk:patient", person),
        (desk, "desk:dispense", person),
        (therapist, "therapist:match", person),
        (lead, "manager:overdue", []),
        (patient, "me:page", [link.token]),
    ):
        page.goto(reverse(name, args=arguments))
        wrong += walk(page, name)
    assert wrong == []
