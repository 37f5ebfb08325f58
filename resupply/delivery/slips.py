"""The delivery slip as PDF: one record, the same bytes, whenever it is asked for.

It carries what a payer's audit asks of proof of delivery (42 CFR 424.57(c)(12), as supplier contractors'
pages read it): the patient's name, where it was delivered, what and how many with code, lot and serial
number, the day, for a parcel the carrier and its tracking id, and who signed with the relation to the
patient. What staff typed about an exception stays off the paper; its mark and the notice are on it.

No time of printing is in it, and no patient data in its title. Names print in Latin, Greek and Cyrillic
letters (fonts/LICENSE.txt); other scripts print from the page instead.
"""

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from resupply.delivery.pdf import CELLS, INK, WIDTH, columns, grid, letterhead, paper, text
from resupply.delivery.words import date_words, day_words
from resupply.models import Location, Notice, ProofMethod
from resupply.queries.slips import Slip, SlipLine

_SHARES = (0.38, 0.11, 0.10, 0.14, 0.13, 0.14)
_HEADS = ("Part", "HCPCS code", "Quantity", "Lot", "Serial no.", "Expires")

RECEIVED = "I received the parts listed on this slip."
WHO_SIGNS = (
    "Signed by the patient, or by someone the patient names. Not by the supplier, its staff, or anyone "
    "with a financial interest."
)
OUTSIDE = "Outside the payer’s usual limits: the payer may deny it."


def caution(location: Location) -> str:
    """The one line of caution, with whom to call."""
    call = f" on {location.phone}" if location.phone else ""
    return (
        "Follow the instructions that come with each part. If a part does not fit, leaks or hurts, or if you "
        f"have a question, call {location.name}{call}. Change nothing about your therapy without your "
        "prescriber."
    )


def slip_pdf(slip: Slip, *, clinic_name: str) -> bytes:
    """A slip as PDF (US letter). The same record and clinic name give the same bytes."""
    return paper(
        _story(slip, clinic_name),
        title=f"Delivery slip {slip.dispense.number}",
        subject="Proof of delivery",
        author=clinic_name,
        language="en-US",
        foot=f"Slip {slip.dispense.number} · {slip.dispense.patient.name}",
    )


def _story(slip: Slip, clinic_name: str) -> list[Flowable]:
    """The slip from top to bottom."""
    parts: list[Flowable] = [_head(slip, clinic_name), Spacer(1, 5 * mm), _to_whom(slip), Spacer(1, 5 * mm)]
    if slip.dispense.is_voided:
        parts += [text(f"VOID: {slip.dispense.void_reason}", "strong"), Spacer(1, 3 * mm)]
    parts += [grid(_HEADS, map(_row, slip.standing), _SHARES), Spacer(1, 6 * mm)]
    if not slip.dispense.is_voided:
        parts += [KeepTogether([*_signature(slip), Spacer(1, 5 * mm)])]
    parts += [
        text(caution(slip.dispense.location)),
        Spacer(1, 2 * mm),
        text(f"Kept by the clinic until {day_words(slip.kept_until, today=None)} at least.", "small"),
    ]
    return parts


def _head(slip: Slip, clinic_name: str) -> Flowable:
    """Who gives, and the slip's number and day."""
    place, day = slip.dispense.location, day_words(slip.dispense.dispensed_on, today=None)
    right = [
        text("Delivery slip", "title"),
        text(f"No. {slip.dispense.number}", "strong"),
        text(f"{'Shipped' if slip.is_shipped else 'Given'} on {day}"),
    ]
    return letterhead(clinic_name, [place.name, *place.address.splitlines(), place.phone], right)


def _to_whom(slip: Slip) -> Flowable:
    """The patient, and where the parts went."""
    dispense = slip.dispense
    left = [text("Patient", "small"), text(dispense.patient.name, "strong")]
    left.append(text(f"Reference {dispense.patient.reference}"))
    if slip.is_shipped:
        where = dispense.delivery_address.splitlines() or ["No address on record"]
        sent = " ".join(part for part in (dispense.carrier, dispense.tracking_id) if part)
        where.append(f"Carrier and tracking id: {sent or 'none on record'}")
        right = [text("Shipped to", "small"), *(text(line) for line in where)]
    else:
        right = [text("Handed over in person at", "small"), text(dispense.location.name)]
    return columns(left, right)


def _row(row: SlipLine) -> list[object]:
    """One part: what it is, and under it what is marked about it."""
    line = row.line
    what = [text(row.description, "strong")]
    if row.item:
        what.append(text(row.item + (f", size kept {line.size_kept}" if line.size_kept else "")))
    if row.contains:
        what.append(text("With: " + ", ".join(row.contains), "small"))
    if line.exception_reason:
        what.append(text(OUTSIDE, "small"))
    if line.notice:
        day = f", {day_words(line.notice_on, today=None)}" if line.notice_on else ""
        what.append(text(Notice(line.notice).label + day, "small"))
    if line.is_voided:
        what.append(text(f"Void: {line.void_reason}", "small"))
    expires = date_words(line.expires_on) if line.expires_on else ""
    cells = [line.part_code, str(line.quantity), line.lot, line.serial, expires]
    return [what, *(text(cell) for cell in cells)]


def _signature(slip: Slip) -> list[Flowable]:
    """What is on record about the delivery, or the lines to sign on."""
    if slip.proof is not None:
        return [text("Proof of delivery on record", "small"), text(proof_words(slip), "strong")]
    labels = ["Signature", "Name, printed", "Relation to the patient (or “self”)", "Date"]
    lines = Table(
        [[text(label, "small") for label in labels[:2]], [text(label, "small") for label in labels[2:]]],
        colWidths=[WIDTH / 2, WIDTH / 2],
        rowHeights=[14 * mm, 14 * mm],
        spaceBefore=8 * mm,
        style=[*CELLS, ("LINEABOVE", (0, 0), (-1, -1), 0.7, INK)],
    )
    return [text(RECEIVED, "strong"), text(WHO_SIGNS, "small"), Spacer(1, 9 * mm), lines]


def proof_words(slip: Slip) -> str:
    """The standing proof in a sentence; empty where there is none."""
    proof = slip.proof
    if proof is None:
        return ""
    signed = f"{proof.signed_by} ({proof.relation})" if proof.signed_by else ""
    on = day_words(proof.delivered_on, today=None)
    if proof.method == ProofMethod.SIGNED:
        return f"Slip signed by {signed}, parts received on {on}."
    taken = f", taken by {signed}" if signed else ""
    return f"{ProofMethod(proof.method).label}: {proof.carrier_record}, parts received on {on}{taken}."
