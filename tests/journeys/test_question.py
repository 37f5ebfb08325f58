"""The refill question on a phone: the mail comes through scheduler, queue, worker and SMTP; three taps answer
it; the desk ships what was asked for. And the page without script, at 320 pixels, before axe.
"""

import contextlib
import os
import re
import signal
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from playwright.sync_api import Page, expect

from clinic import processes, servers
from resupply import clock
from resupply.models import DispenseLine, Location, Patient, RefillAnswer, RefillQuestion
from resupply.services import plans, questions
from resupply.services.answer_items import NewItem
from tests.builders import NOW, make_consent, make_dispense, make_patient, make_question
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import Thumb
from tests.journeys.test_accessibility import Critic
from tests.services.post_office import Sink, process_environment, start, wait_until, zone_where_it_is_noon

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

    from tests.cast import Cast

pytestmark = pytest.mark.browser


@pytest.fixture(autouse=True)
def _today() -> None:
    """The processes read the real clock; so does this page."""


@pytest.fixture
def at_work(tmp_path: Path, live_server: "LiveServer") -> Iterator[Sink]:
    """Scheduler, worker, queue and an SMTP server on this test's database."""
    sink = Sink()
    sink.controller.start()
    queue = servers.start_redis(tmp_path / "redis", port=servers.free_port())
    shared = process_environment(folder=tmp_path, email_url=sink.url, redis_url=queue)
    shared["PUBLIC_URL"] = live_server.url
    running = [
        start(process.command, shared | process.environment, tmp_path / f"{process.name}.log")
        for process in (processes.WORKER, processes.BEAT)
    ]
    yield sink
    for process in running:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    servers.stop_redis(tmp_path / "redis")
    sink.controller.stop()


def make_shipped_to(cast: "Cast") -> Patient:
    """Somebody whose parts are shipped, and whose cushions and tubing ran out some days ago."""
    now = clock.now()
    zone = zone_where_it_is_noon(now)
    Location.objects.filter(pk=cast.north.pk).update(time_zone=zone)  # one date for both, whatever the hour
    cast.north.refresh_from_db()
    patient = make_patient(
        email="asked@patients.example",
        given_name="Maren",
        family_name="Quist",
        location=cast.north,
        time_zone=zone,
        address="12 Cedar Way",
    )
    make_consent(patient)
    make_dispense(
        patient,
        on=now.date() - timedelta(days=100),
        given="shipped",
        lines=[{"quantity": 3}, {"part_code": "A7037"}],
    )
    plans.refresh_plans([patient.pk], now=now)
    return patient


def test_from_the_mail_to_the_parcel_in_three_taps(
    cast: "Cast", at_work: Sink, window: OpenWindow, tmp_path: Path
) -> None:
    patient = make_shipped_to(cast)
    wait_until(lambda: at_work.sent_to(patient))
    (mail,) = at_work.sent_to(patient)
    body = mail.get_body(("plain",))
    assert body is not None
    link = re.search(r"http\S+/ask/\S+/", body.get_content())
    assert link
    token = link.group().rstrip("/").rsplit("/", 1)[1]

    phone, thumb = window(width=390, height=844), Thumb()
    phone.goto(link.group())
    assert not RefillAnswer.objects.exists()
    thumb.tap(phone.locator("label", has_text="Yes, I use it"))
    thumb.tap(phone.locator("label", has_text="It is worn"))
    thumb.tap(phone.get_by_role("button", name="Yes, I want this"))
    phone.get_by_role("heading", name="Thank you. We have your answer.").wait_for()
    assert thumb.taps == 3
    assert "We send it to you when it is time." in phone.locator("main").inner_text()
    answer = RefillAnswer.objects.get()
    assert set(answer.items.values_list("kind", "wanted")) == {("cushion", True), ("tubing", True)}
    assert (answer.channel, answer.handover, answer.relation) == ("page", "ship", "")

    desk = window(user=cast.desk.user)
    desk.goto("/")
    said_yes = desk.get_by_role("region", name="Said yes")
    expect(said_yes).to_contain_text("Maren Quist")
    said_yes.get_by_role("link", name="Dispense to Maren Quist").click()
    expect(desk.get_by_label("Given", exact=True)).to_have_value("shipped")
    desk.get_by_label("Tracking id").fill("1Z-78")
    desk.get_by_label("Shipped to").fill("12 Cedar Way")
    desk.get_by_role("button", name="Log the dispense").click()
    expect(desk.get_by_role("status")).to_contain_text("Shipped")
    line = DispenseLine.objects.filter(answer_item__isnull=False).first()
    assert line is not None
    assert line.answer_item is not None
    assert line.answer_item.answer == answer

    phone.reload()
    assert "We have started to work on your answer." in phone.locator("main").inner_text()
    for log in tmp_path.glob("*.log"):
        assert token not in log.read_text()


@pytest.fixture
def asked(cast: "Cast") -> Iterator[Any]:
    """Maren's question, on the suite's usual day; returns the address of a new one."""
    with time_machine.travel(NOW, tick=True):
        patient = make_patient(location=cast.north, language="en", address="12 Cedar Way")
        make_dispense(
            patient, on=NOW.date() - timedelta(days=100), lines=[{"quantity": 3}, {"part_code": "A7037"}]
        )
        plans.refresh_plans([patient.pk], now=NOW)

        def ask(language: str) -> str:
            Patient.objects.filter(pk=patient.pk).update(language=language)
            RefillQuestion.objects.filter(state="open").update(
                state="withdrawn", closed_at=NOW, close_reason="asked anew"
            )
            patient.messages.all().update(day=NOW.date() - timedelta(days=patient.messages.count()))
            token = make_question(patient, parts=[{}, {"kind": "tubing", "part_code": "A7037"}])
            return f"/ask/{token}/"

        yield ask


WORDS = {
    "en": ("Yes, I use it", "It is worn", "Yes, I want this", "Not now", "Stop asking", "Change my answer"),
    "es": (
        "Sí, lo uso",
        "Está gastada",
        "Sí, lo quiero",
        "Ahora no",
        "No me pregunten más",
        "Cambiar mi respuesta",
    ),
}


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_state_of_the_page_without_script_at_320_pixels(
    window: OpenWindow, asked: Any, language: str
) -> None:
    """Reflow at 320 CSS pixels: WCAG 2.2, success criterion 1.4.10. Axe needs script, so it looks at the same
    pages in a window that has it."""
    plain, seen, critic = window(width=320, scripts=False), window(width=390), Critic()
    using, worn, yes, not_now, stop, change = WORDS[language]

    def look(page: Page, name: str) -> None:
        assert page.locator("html").get_attribute("lang") == language
        box = page.locator("body").bounding_box()
        assert box is not None
        assert box["width"] <= 320, name
        for target in page.locator("main button, main label.choice, main a.btn").all():
            size = target.bounding_box()
            assert size is None or (size["height"] >= 44 and size["x"] + size["width"] <= 320), name
        if not page.url.endswith("#"):
            seen.goto(page.url)
            seen.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            critic.look(seen, name)

    address = asked(language)
    seen.goto(address)
    seen.get_by_role("button", name=yes).click()  # what is missing, with script
    seen.get_by_role("alert").wait_for()
    critic.look(seen, "refused")
    plain.goto(address)
    look(plain, "the question")
    plain.get_by_role("button", name=yes).click()
    plain.get_by_role("alert").wait_for()
    assert not RefillAnswer.objects.exists()
    plain.locator("label", has_text=using).click()
    plain.locator("label", has_text=worn).click()
    plain.get_by_role("button", name=yes).click()
    plain.get_by_role("link", name=change).wait_for()
    look(plain, "a yes")
    plain.get_by_role("link", name=change).click()
    plain.get_by_role("button", name=not_now).wait_for()
    look(plain, "a change")
    plain.get_by_role("button", name=not_now).click()
    plain.get_by_role("link", name=change).wait_for()
    look(plain, "not now")
    plain.get_by_role("link", name=change).click()
    plain.get_by_role("button", name=stop).click()
    plain.locator("button[value=undo]").wait_for()
    look(plain, "stopped")
    assert RefillAnswer.objects.filter(voided_at=None).count() == 3
    plain.locator("button[value=undo]").click()
    plain.get_by_role("link", name=change).wait_for()  # what was said before counts again
    assert critic.found == []


def test_a_link_that_opens_nothing_before_axe(window: OpenWindow, asked: Any) -> None:
    address = asked("en")
    question = RefillQuestion.objects.get(state="open")
    questions.answer(
        question, wish="not_now", items=[NewItem(kind="cushion", wanted=False)], still_using=None,
        handover="collect", now=NOW,
    )  # fmt: skip
    page, critic = window(width=390), Critic()
    for place, name in ((address, "answered"), ("/ask/AAAAAAAAAAAAAAAAAAAAAA/", "ended")):
        page.goto(place)
        critic.look(page, name)
    assert critic.found == []
