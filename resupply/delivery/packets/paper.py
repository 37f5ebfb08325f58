"""A packet's document from top to bottom as paper.

Everything on it comes from the document: no clock, no setting. Times are UTC. It prints with the embedded
fonts of every paper (`delivery.pdf`), and carries the SHA-256 of the document it was made from.
"""

from hashlib import sha256

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from resupply.delivery.packets.blocks import facts, section
from resupply.delivery.packets.dates import dates
from resupply.delivery.packets.history import earlier, history, rules, use
from resupply.delivery.packets.request import request
from resupply.delivery.packets.words import (
    HUMIDIFIER,
    LYING,
    NOTICE,
    OUTCOME,
    PARCEL,
    PROOF,
    STOPS,
    Doc,
    born,
    day,
    missing_lines,
    moment,
    period,
    stamped,
)
from resupply.delivery.pdf import grid, letterhead, paper, point, text
from resupply.queries.packets import canonical

NOTHING_MISSING = "Nothing of what this packet looks for is missing."
ABOUT = (
    "This packet shows records as they were known at that moment; what was recorded or voided later is not "
    "in it. It decides nothing about a claim or about therapy. It holds health information: hand it only to "
    "those who may have it."
)


def packet_pdf(document: Doc) -> bytes:
    """A document as PDF (US letter). The same document gives the same bytes."""
    packet = document["packet"]
    name = _name(document)
    return paper(
        _story(document),
        title=f"Evidence packet {packet['number']}",
        subject="Evidence packet",
        author=document["clinic"]["name"],
        language="en-US",
        foot=f"Evidence packet {packet['number']} · {name} · ref {document['patient']['reference']}",
    )


def _story(document: Doc) -> list[Flowable]:
    return [
        *_head(document),
        *section("Missing from the records", _missing(document)),
        *section("Patient and payer", [_patient(document)]),
        *section("Order and device", _order(document)),
        *section("Fitting", _fitting(document)),
        *section("Refill request", request(document)),
        *section("What was given", _given(document)),
        *section("Proof of delivery", [_proof(document)]),
        *dates(document),
        *section("Rules in force on the date of service", rules(document)),
        *section("Use in the first months", use(document)),
        *section("Earlier dispenses of these kinds, and what happened to parts", earlier(document)),
        *section("Change history", history(document)),
        *section("This packet", [_about(document)]),
    ]


def _head(document: Doc) -> list[Flowable]:
    """Who made it, about what, as known when."""
    clinic, packet = document["clinic"], document["packet"]
    place = [clinic["location"], *clinic["address"].splitlines(), clinic["phone"]]
    right = [
        text("Evidence packet", "title"),
        text(f"No. {packet['number']}", "strong"),
        text(f"Date of service {day(packet['date_of_service'])}"),
        text(f"Slip {packet['dispense']}"),
        text(f"As known on {moment(packet['known_at'])}"),
        text(f"Asked for by {packet['asked_by'] or 'the program'}"),
    ]
    return [letterhead(clinic["name"], place, right), Spacer(1, 3 * mm), text(ABOUT, "small")]


def _missing(document: Doc) -> list[Flowable]:
    lines = missing_lines(document)
    return [point(line, "•") for line in lines] or [text(NOTHING_MISSING)]


def _patient(document: Doc) -> Flowable:
    patient, coverage = document["patient"], document["coverage"]
    representative = " ".join(
        part
        for part in (
            patient["representative_name"],
            f"({patient['representative_relation']})" if patient["representative_relation"] else "",
        )
        if part
    )
    payer = "no coverage on record"
    if coverage is not None:
        who = coverage["payer"] or "the patient pays"
        payer = f"{who}, from {day(coverage['starts_on'])}; recorded {stamped(coverage)}"
    return facts(
        [
            ("Name", _name(document)),
            ("Born", born(patient["birth_date"])),
            ("Reference", patient["reference"]),
            ("Address", ", ".join(patient["address"].splitlines())),
            ("Representative", representative),
            ("Therapy began", day(patient["therapy_started_on"])),
            ("Payer on that day", payer),
        ]
    )


def _order(document: Doc) -> list[Flowable]:
    order, device = document["order"], document["device"]
    blocks: list[Flowable] = []
    if order is None:
        blocks.append(text("No prescriber’s order on record for that day."))
    else:
        ends = f" until {day(order['ends_on'])}" if order["ends_on"] else ", no end stated"
        blocks.append(
            facts(
                [
                    ("Prescriber", f"{order['prescriber_name']}, NPI {order['prescriber_npi']}"),
                    ("Order of", f"{day(order['ordered_on'])}{ends}"),
                    ("Recorded", stamped(order)),
                ]
            )
        )
        rows = [
            (
                item["part_code"],
                item["quantity"],
                f"every {period(item['period_months'], 'month').removeprefix('1 ')}",
            )
            for item in order["items"]
        ]
        if rows:
            blocks += [
                Spacer(1, 1 * mm),
                grid(("HCPCS code", "Quantity", "How often"), rows, (0.2, 0.2, 0.6)),
            ]
    blocks.append(facts([("Device", _device(device) if device else "")]))
    return blocks


def _device(device: Doc) -> str:
    ends = [end for end in (device["pressure_low"], device["pressure_high"]) if end is not None]
    pressure = f", {' to '.join(dict.fromkeys(ends))} cmH2O" if ends else ""
    serial = f", serial no. {device['serial']}" if device["serial"] else ""
    humidifier = f", humidifier: {HUMIDIFIER[device['humidifier']]}"
    return f"{device['description']}{serial}{pressure}{humidifier}, supplied {day(device['supplied_on'])}"


def _fitting(document: Doc) -> list[Flowable]:
    visit = document["fitting"]
    if visit is None:
        return [text("No fitting that ended is on record by that day.")]
    kept = f": {visit['mask_kept']}" if visit["mask_kept"] else ""
    size = f", size kept {visit['size_kept']}" if visit["size_kept"] else ""
    shown = facts(
        [
            ("Fitted", f"{day(visit['fitted_on'])}, {OUTCOME[visit['outcome']]}{kept}{size}"),
            ("Recorded", stamped(visit)),
        ]
    )
    rows = [
        (row["item"], row["size"], _pressure(row), LYING[row["lying"]], _leaks(row)) for row in visit["tries"]
    ]
    if not rows:
        return [shown]
    heads = ("Tried", "Size", "Pressure", "Lying", "Leak")
    return [shown, Spacer(1, 1 * mm), grid(heads, rows, (0.34, 0.1, 0.14, 0.16, 0.26))]


def _pressure(row: Doc) -> str:
    return f"{row['pressure']} cmH2O" if row["pressure"] is not None else "not recorded"


def _leaks(row: Doc) -> str:
    found = [
        f"{site.replace('_', ' ')}: {much}" for site, much in sorted(row["leaks"].items()) if much != "none"
    ]
    return ", ".join(found) or "none found"


def _given(document: Doc) -> list[Flowable]:
    given = document["dispense"]
    way = "Shipped" if given["given"] == "shipped" else "Handed over in person"
    rows = [("Given", f"{way} on {day(given['dispensed_on'])}"), ("Recorded", stamped(given))]
    if given["given"] == "shipped":
        sent = " ".join(part for part in (given["carrier"], given["tracking_id"]) if part)
        rows += [
            ("Shipped to", ", ".join(given["delivery_address"].splitlines())),
            ("Carrier and tracking id", sent),
        ]
    if given["voided_at"]:
        what = f"; the parcel {PARCEL[given['parcel']]}" if given["parcel"] else ""
        rows.append(("VOID", f"{moment(given['voided_at'])}: {given['void_reason']}{what}"))
    heads = ("Part", "HCPCS code", "Quantity", "Lot", "Serial no.", "Expires", "Billed to")
    lines = [_line(line) for line in given["lines"]]
    return [facts(rows), Spacer(1, 1 * mm), grid(heads, lines, (0.33, 0.11, 0.09, 0.12, 0.11, 0.12, 0.12))]


def _line(line: Doc) -> list[object]:
    """One line: what it is and, under it, what is marked about it."""
    what = [text(line["description"], "strong")]
    if line["item"]:
        what.append(
            text(line["item"] + (f", size kept {line['size_kept']}" if line["size_kept"] else ""), "small")
        )
    if line["contains"]:
        what.append(text("With: " + ", ".join(line["contains"]), "small"))
    if line["voided_at"]:
        what.append(text(f"VOID {moment(line['voided_at'])}: {line['void_reason']}", "small"))
    if line["exchange_of"]:
        what.append(text(f"In exchange for {line['exchange_of']}", "small"))
    if line["exception_reason"]:
        outside = ", ".join(STOPS.get(code, code) for code in line["exception_stops"])
        what.append(text(f"Outside the usual limits ({outside}): {line['exception_reason']}", "small"))
    if line["notice"]:
        on = f" on {day(line['notice_on'])}" if line["notice_on"] else ""
        what.append(text(f"{NOTICE[line['notice']]}{on}.", "small"))
    billed = (line["billed_to"] or "yes") if line["billed"] else "not billed"
    expires = day(line["expires_on"]) if line["expires_on"] else ""
    return [what, line["part_code"], line["quantity"], line["lot"], line["serial"], expires, billed]


def _proof(document: Doc) -> Flowable:
    proof = document["proof"]
    if proof is None:
        return text("No proof of delivery on record.")
    signer = f"{proof['signed_by']} ({proof['relation']})" if proof["signed_by"] else ""
    rows = [
        ("How", PROOF[proof["method"]]),
        ("Received on", day(proof["delivered_on"])),
        ("Signed by", signer),
    ]
    if proof["carrier_record"]:
        rows.append(("Record", proof["carrier_record"]))
    return facts([*rows, ("Recorded", stamped(proof))])


def _about(document: Doc) -> Flowable:
    digest = sha256(canonical(dict(document))).hexdigest()
    return facts(
        [
            ("Document", f"JSON of the same content, format {document['format_version']}"),
            ("SHA-256 of it", digest),
            (
                "How it is checked",
                "Built again from the records as known at that moment, it has the same SHA-256. The clinic "
                "can do so at any time, on the packet’s page.",
            ),
        ]
    )


def _name(document: Doc) -> str:
    patient = document["patient"]
    return f"{patient['given_name']} {patient['family_name']}".strip()
