"""The slip on screen and as a file, and the proof of delivery."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import Dispense, DispenseLine, Proof
from tests.builders import NOW, TODAY, make_dispense, make_item, make_proof
from tests.cast import Cast
from tests.delivery.pdf import Pdf
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


@pytest.fixture
def dispense(cast: Cast) -> Dispense:
    """Six cushions, one an exception."""
    line = {"item": make_item(name="Aspen cushion", size="M"), "quantity": 6, "lot": "L77"}
    outside = {"part_code": "A7035", "exception_reason": "strap broke", "notice": "declined"}
    return make_dispense(cast.odalys, on=TODAY, lines=[line, outside])


def of(name: str, dispense: Dispense) -> str:
    return reverse(f"desk:{name}", args=[dispense.public_id])


def test_the_page_says_what_the_paper_says(ines: Client, dispense: Dispense) -> None:
    page = text(ines.get(of("slip", dispense)))
    for said in (
        "Cushion for a nasal mask Aspen cushion, M A7032 6 L77",
        "the payer may deny it. Written notice offered, not signed",
        "Not by the supplier, its staff, or anyone with a financial interest.",
        "Given on Wed 18 Mar 2026",
        "Kept until Fri 18 Mar 2033 at least: seven years from the date of service.",
        "No proof of delivery is on record yet.",
        "Outside the limits Headgear: strap broke",
    ):
        assert said in page


def test_the_file_is_named_by_its_number_and_no_address_names_anybody(
    ines: Client, dispense: Dispense
) -> None:
    answer = ines.get(of("slip_pdf", dispense))
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"] == f'inline; filename="slip-{dispense.number}.pdf"'
    assert answer["Cache-Control"] == "no-store"
    assert "Odalys Brandt" in Pdf.read(answer.content).text()
    for address in re.findall(r'(?:href|action)="([^"]*)"', ines.get(of("slip", dispense)).content.decode()):
        assert not re.search("brandt|odalys|1047", address, re.IGNORECASE)


def test_who_signed_is_recorded_and_shown(cast: Cast, ines: Client, dispense: Dispense) -> None:
    asked = ines.get(of("sign", dispense))
    assert b'value="2026-03-18"' in asked.content
    assert b'<option value="Odalys Brandt">' in asked.content
    assert "Carrier" not in text(asked).split("Received on")[0].split("How it is known")[1]
    sent = {"method": "signed", "delivered_on": "2026-03-18", "signed_by": "Jan Brandt", "relation": "spouse"}
    page = text(ines.post(of("sign", dispense), sent, follow=True))
    assert "Slip signed by Jan Brandt (spouse), parts received on Wed 18 Mar 2026." in page
    proof = Proof.objects.get()
    assert (proof.recorded_by, proof.recorded_at) == (cast.desk.user, NOW)


def test_staff_as_signer_is_refused_and_what_was_typed_is_kept(ines: Client, dispense: Dispense) -> None:
    """Check value of the rule: relation "supplier employee"."""
    assert "anyone with a financial interest" in text(ines.get(of("sign", dispense)))
    sent = {
        "method": "signed", "delivered_on": "2026-03-18", "signed_by": "Dana Rook",
        "relation": "supplier employee",
    }  # fmt: skip
    page = ines.post(of("sign", dispense), sent)
    assert page.status_code == 422
    assert b'value="Dana Rook"' in page.content
    assert "its staff, a carrier and anyone with a financial interest cannot sign" in text(page)
    assert not Proof.objects.exists()


def test_a_proof_is_voided_with_a_reason_and_stays_readable(ines: Client, dispense: Dispense) -> None:
    proof = make_proof(dispense)
    address = reverse("desk:proof_void", args=[proof.public_id])
    assert ines.post(address, {"reason": ""}).status_code == 422
    page = text(ines.post(address, {"reason": "another slip"}, follow=True))
    assert "Proof, voided Slip signed, Jan Ek (spouse)" in page
    assert "another slip" in page
    assert "Record who signed" in page


def test_what_another_supplier_gave_has_no_slip_of_ours(cast: Cast, ines: Client) -> None:
    theirs = make_dispense(cast.odalys, supplied_by="elsewhere")
    page = text(ines.get(of("slip", theirs)))
    assert "Another supplier gave these parts." in page
    assert "Record who signed" not in page
    assert ines.get(of("slip_pdf", theirs)).status_code == 404


def test_the_same_queries_for_one_part_and_for_thirty(ines: Client, dispense: Dispense) -> None:
    counts = []
    for number in (0, 28):
        for position in range(2, 2 + number):
            DispenseLine.objects.create(
                dispense=dispense, position=position, part_code="A7032", kind="cushion", quantity=1,
                item=make_item(), exchange_of=dispense.lines.first(),
            )  # fmt: skip
        with CaptureQueriesContext(connection) as queries:
            assert ines.get(of("slip", dispense)).status_code == 200
        counts.append(len(queries))
    assert counts[0] + 1 >= counts[1]


def test_moments_are_those_of_the_location(ines: Client, dispense: Dispense) -> None:
    Dispense.objects.update(recorded_at=NOW - timedelta(hours=12))
    assert "Logged Tue 17 Mar, 21:00" in text(ines.get(of("slip", dispense)))
