"""What an audit asks for and the records do not have: named, never filled in."""

from collections.abc import Iterator

from resupply.models import Given
from resupply.queries.packets.gather import Records
from resupply.queries.packets.said import Json


def missing(found: Records, use: Json | None) -> list[list[str]]:
    """Codes of what is missing, each with the billing code of its line or an empty word."""
    return [list(pair) for pair in _missing(found, use)]


def _missing(found: Records, use: Json | None) -> Iterator[tuple[str, str]]:
    if found.dispense.is_voided:
        yield "void", ""
    yield from _order(found)
    if found.device is None:
        yield "device", ""
    if found.fitting is None:
        yield "fitting", ""
    yield from _request(found)
    yield from _delivery(found)
    yield from _use(use)


def _order(found: Records) -> Iterator[tuple[str, str]]:
    if found.order is None:
        yield "order", ""
        return
    ordered = {item.part_code for item in found.order_items}
    for code in _codes(found):
        if code not in ordered:
            yield "order_part", code


def _request(found: Records) -> Iterator[tuple[str, str]]:
    """Each line's own yes, by another code where it was handed over (no request has to be on record of that),
    and its lot.
    """
    shipped = found.dispense.given == Given.SHIPPED
    for line in found.lines:
        if line.is_voided:
            continue
        if line.answer_item_id is None:
            yield ("answer" if shipped else "answer_in_person"), line.part_code
        if not line.lot:
            yield "lot", line.part_code


def _delivery(found: Records) -> Iterator[tuple[str, str]]:
    if found.proof is None and not found.dispense.is_voided:
        yield "proof", ""
    if found.dispense.given == Given.SHIPPED:
        if not found.dispense.delivery_address.strip():
            yield "address", ""
        if not found.dispense.tracking_id.strip():
            yield "tracking", ""


def _use(use: Json | None) -> Iterator[tuple[str, str]]:
    if use is None:
        return
    if not use["nights"]:
        yield "nights", ""
    visit = use["reevaluation"]
    if isinstance(visit, dict) and visit["seen_on"] is None:
        yield "reevaluation", ""


def _codes(found: Records) -> list[str]:
    return sorted({line.part_code for line in found.lines if not line.is_voided})
