"""The delivery slip as PDF, read back from its bytes."""

import re
from datetime import date
from typing import Any

import pytest

from resupply.delivery.slips import slip_pdf
from resupply.models import Dispense, Proof
from resupply.queries.slips import slip_of
from tests.builders import make_dispense, make_item, make_location, make_patient
from tests.delivery.pdf import Pdf

pytestmark = pytest.mark.django_db


def given(**over: Any) -> Dispense:
    """A dispense with one cushion of a lot."""
    place = make_location(name="North room", phone="+1 303 555 0100", address="12 Alder Way\nJuniper Bend")
    patient = make_patient(
        location=place, given_name="Zoë", family_name="Łukaszewicz-Nguyễn", reference="1047"
    )
    item = make_item(name="Aspen cushion", size="M")
    line = {"item": item, "quantity": 6, "lot": "L77", "serial": "S-1", "expires_on": date(2028, 5, 1)}
    return make_dispense(patient, on=date(2026, 3, 18), lines=[line | over.pop("line", {})], **over)


def read(dispense: Dispense) -> Pdf:
    return Pdf.read(slip_pdf(slip_of(dispense), clinic_name="Juniper Bend Sleep Clinic"))


def words(dispense: Dispense) -> str:
    return re.sub(r"\s+", " ", read(dispense).text())


def test_it_carries_what_an_audit_of_proof_of_delivery_asks() -> None:
    """Name, description, code, quantity, day, address, carrier with tracking id: 42 CFR 424.57(c)(12) as the
    supplier contractors' pages on proof of delivery read it.
    """
    dispense = given(
        given="shipped", carrier="Parcel post", tracking_id="PP-123", delivery_address="4 Elm St\nBirch Hill"
    )
    text = words(dispense)
    for said in (
        "Juniper Bend Sleep Clinic", "North room", "12 Alder Way", "+1 303 555 0100",
        f"No. {dispense.number}", "Shipped on Wed 18 Mar 2026",
        "Zoë Łukaszewicz-Nguyễn", "Reference 1047", "4 Elm St", "Birch Hill",
        "Carrier and tracking id: Parcel post PP-123",
        "Cushion for a nasal mask Aspen cushion, M A7032 6 L77 S-1 1 May 2028",
        "Signature Name, printed Relation to the patient (or “self”) Date",
        "Not by the supplier, its staff, or anyone with a financial interest.",
        "call North room on +1 303 555 0100",
        "Kept by the clinic until Fri 18 Mar 2033 at least.",
    ):  # fmt: skip
        assert said in text


def test_in_person_it_says_where() -> None:
    text = words(given())
    assert "Given on Wed 18 Mar 2026" in text
    assert "Handed over in person at North room" in text
    assert "tracking" not in text


def test_an_exception_is_marked_with_its_notice_and_without_what_staff_typed() -> None:
    line = {"exception_reason": "a private word", "notice": "given", "notice_on": date(2026, 3, 18)}
    text = words(given(line=line))
    assert "the payer may deny it. Written notice given, Wed 18 Mar 2026" in text
    assert "private" not in text


def test_the_same_record_gives_the_same_bytes() -> None:
    dispense = given()
    first = slip_pdf(slip_of(dispense), clinic_name="C")
    again = slip_pdf(slip_of(Dispense.objects.get(pk=dispense.pk)), clinic_name="C")
    assert first == again
    assert first != slip_pdf(slip_of(dispense), clinic_name="Another")


def test_it_names_itself_and_its_language_and_no_patient() -> None:
    """Title shown, language set: ISO 14289-1 asks both of a file that is read aloud (7.1 and 7.2)."""
    dispense = given()
    pdf = read(dispense)
    info = pdf.info()
    assert (info["Title"], info["Author"]) == (
        f"Delivery slip {dispense.number}",
        "Juniper Bend Sleep Clinic",
    )
    assert "ukaszewicz" not in str(info)
    (catalog,) = pdf.having(b"/Type /Catalog")
    assert b"/Lang (en-US)" in pdf.objects[catalog]
    assert b"/DisplayDocTitle true" in b"".join(pdf.objects.values())


def test_fonts_travel_with_the_file() -> None:
    pdf = read(given())
    assert len(pdf.having(b"/FontFile2")) == 2
    assert not pdf.having(b"/Subtype /Type1")


def test_what_was_typed_is_text_never_markup() -> None:
    text = words(given(line={"lot": "<b>&1", "item": make_item(name="Item </b> &amp;", size="")}))
    assert "<b>&1" in text
    assert "Item </b> &amp;" in text


def test_a_proof_on_record_takes_the_place_of_the_lines_to_sign_on() -> None:
    dispense = given()
    Proof.objects.create(
        dispense=dispense, method="signed", delivered_on=date(2026, 3, 18), signed_by="Jan Ek", relation="son"
    )
    text = words(dispense)
    assert "Slip signed by Jan Ek (son), parts received on Wed 18 Mar 2026." in text
    assert "Name, printed" not in text


def test_a_voided_line_is_not_on_the_paper_and_a_voided_dispense_says_so() -> None:
    dispense = given()
    line = dispense.lines.get()
    line.pk, line.position, line.lot = None, 1, "GONE"
    line.voided_at, line.void_reason = dispense.recorded_at, "wrong size"
    line.save(force_insert=True)
    assert "GONE" not in words(dispense)
    dispense.voided_at, dispense.void_reason = dispense.recorded_at, "wrong patient"
    dispense.save()
    text = words(dispense)
    assert "VOID: wrong patient" in text
    assert "Signature" not in text


def test_a_long_slip_names_patient_and_number_on_each_page() -> None:
    dispense = given()
    line = dispense.lines.get()
    for position in range(1, 40):
        line.pk, line.position = None, position
        line.save(force_insert=True)
    pdf = read(dispense)
    assert pdf.pages() > 1
    text = pdf.text()
    assert text.count(f"Slip {dispense.number} · Zoë Łukaszewicz-Nguyễn") == pdf.pages()
    assert text.count("HCPCS code") == pdf.pages()
    assert f"Page {pdf.pages()}" in text
