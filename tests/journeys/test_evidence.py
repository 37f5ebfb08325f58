"""An audit and a recall in one morning: a packet made and checked, and everybody reached who had the part."""

import json
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from resupply.models import EvidencePacket, Recall, RecallNotice
from tests.builders import make_consent, make_dispense
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import let_fall_behind
from tests.services.evidence import complete

pytestmark = pytest.mark.browser


def test_a_payers_letter_and_a_makers_letter(window: OpenWindow, cast: Cast) -> None:
    """The manager at the desk's screen; the front desk calls with the list on a phone."""
    given = complete()
    let_fall_behind(cast)
    make_dispense(cast.tevin, lines=[{"lot": "L-2291"}])
    make_consent(cast.odalys)
    page = window(user=cast.user("manager"))
    _answers_the_payer(page, given.patient.reference)
    _opens_the_notice(page)
    phone = window(user=cast.user("administrator"), width=390)
    _calls(phone)
    page.reload()
    expect(page.get_by_text("2 of 2 people reached or written off")).to_be_visible()
    page.get_by_role("link", name="Close the notice").click()
    page.get_by_label("Note").fill("Numbers sent to the maker.")
    page.get_by_role("button", name="Close the notice").click()
    expect(page.get_by_role("status")).to_contain_text("Notice closed")
    assert RecallNotice.objects.get().closed_at is not None


def _answers_the_payer(page: Page, reference: str) -> None:
    page.goto("/")
    page.get_by_role("link", name="Dispensed").click()
    page.get_by_role("link", name="Evidence packets").click()
    expect(page.get_by_text("No packet was made yet.")).to_be_visible()
    page.get_by_role("link", name="Make a packet").click()
    page.get_by_label("Patient's reference").fill(reference)
    page.get_by_label("Date of service").fill("2026-03-18")
    page.get_by_role("button", name="Find the dispense").click()
    page.get_by_role("button", name="Make the packet").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Evidence packet E000001")
    expect(page.get_by_text("Nothing of what a packet looks for is missing.")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download the JSON").click()
    packet = EvidencePacket.objects.get()
    content = Path(download.value.path()).read_bytes()
    assert json.loads(content)["packet"]["number"] == packet.name
    assert len(content) == packet.document_size
    page.get_by_role("link", name="Check against the records").click()
    expect(page.get_by_text("It holds.")).to_be_visible()


def _opens_the_notice(page: Page) -> None:
    page.get_by_role("link", name="Catalogue").click()
    page.get_by_role("link", name="Recalls").click()
    page.get_by_role("link", name="Record a recall").click()
    page.get_by_label("Title").fill("Cushions of lot L-2291")
    page.get_by_label("Source").fill("The maker's letter of 16 March")
    page.get_by_label("Lot").fill("l-2291")
    page.get_by_label("Advice").fill("Ask patients to return the part, and replace it.")
    page.get_by_role("button", name="Record the recall").click()
    page.get_by_role("link", name="Who is to be reached").click()
    page.get_by_role("link", name="Open a notice").click()
    expect(page.get_by_text("given what it names: 2.")).to_be_visible()
    page.get_by_role("button", name="Open the notice").click()
    expect(page.get_by_role("status")).to_contain_text("1 message on the way. Call the others.")
    expect(page.get_by_text("0 of 2 people reached or written off")).to_be_visible()


def _calls(phone: Page) -> None:
    recall = Recall.objects.get()
    phone.goto(reverse("manager:recall_reach", args=[recall.public_id]) + "?show=all")
    for name, outcome in (("Tevin Okafor", "replaced"), ("Odalys Brandt", "reached")):
        phone.get_by_role("link", name=f"record a contact with {name}").click()
        phone.get_by_label("What came of it").select_option(outcome)
        phone.get_by_label("How").select_option("phone")
        phone.get_by_role("button", name="Record the contact").click()
        expect(phone.get_by_role("status")).to_contain_text(f"Recorded for {name}")
        phone.get_by_role("link", name="Everyone").click()
