"""dispenses.csv and events.csv: the rows checked.

`births` holds every patient named in patients.csv or on record; the birth is None where its own cell is at
fault.
"""

from collections.abc import Mapping
from datetime import date

from resupply.models import LARGEST_QUANTITY, EventType
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.importing.cells import Cells
from resupply.services.importing.check_policies import fail_unknown_patient
from resupply.services.importing.columns import DISPENSES, EVENTS
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report
from resupply.services.importing.rows import DispenseRow, EventRow

EVENT_WORDS = {
    "swap": EventType.SWAP,
    "lost": EventType.LOSS,
    "pause": EventType.PAUSE,
    "refit": EventType.REFIT,
}
_USES = {"swap": {"kind"}, "lost": {"kind"}, "pause": {"until"}, "refit": {"family"}}


def check_dispenses(
    raws: list[RawRow], births: Mapping[str, date | None], report: Report
) -> list[DispenseRow]:
    """The dispensed rows that stand, in file order."""
    rows = (_dispense(Cells(DISPENSES, raw, report), births) for raw in raws)
    return [row for row in rows if row is not None]


def check_events(raws: list[RawRow], births: Mapping[str, date | None], report: Report) -> list[EventRow]:
    """The events that stand, in file order."""
    rows = (_event(Cells(EVENTS, raw, report), births) for raw in raws)
    return [row for row in rows if row is not None]


def _dispense(cells: Cells, births: Mapping[str, date | None]) -> DispenseRow | None:
    """One row, or None where a cell was at fault."""
    reference, on = _whose(cells, births), cells.day("dispensed_on", required=True)
    _check_birth(cells, "dispensed_on", on, births.get(reference))
    code, quantity = cells.code("part_code"), cells.number("quantity", most=LARGEST_QUANTITY)
    first_use_on, expires_on = cells.day("first_use_on"), cells.day("expires_on")
    billed = cells.choice("billed", ("yes", "no"), empty="no")
    family, lot = cells.text("family", longest=60), cells.text("lot", longest=40)
    kind = part_types()[code].kind if code else None
    contains = _contains(cells, kind)
    if on and first_use_on and first_use_on < on:
        cells.fail("first_use_on", f"first use lies before the dispense on {on}", "correct one of them")
    if on and expires_on and expires_on < on:
        cells.fail("expires_on", f"the part had expired before {on}", "correct one of them")
    if cells.failed or not (on and code and kind and quantity):
        return None
    return DispenseRow(
        cells.row,
        reference,
        on,
        code,
        kind,
        quantity,
        first_use_on,
        billed == "yes",
        family,
        lot,
        expires_on,
        contains,
    )


def _contains(cells: Cells, kind: Kind | None) -> tuple[str, ...]:
    """Codes packed in each unit of a mask, in order."""
    listed = [part.strip() for part in cells.raw("contains").split(";") if part.strip()]
    if listed and kind is not None and kind is not Kind.MASK:
        cells.fail("contains", "only a mask contains parts", "leave it empty, or correct the part code")
    codes = []
    for part in listed:
        code = cells.code("contains", part)
        if code and part_types()[code].kind is Kind.MASK:
            cells.fail("contains", f"{code} is a mask itself", "list only the parts packed with the mask")
        elif code:
            codes.append(code)
    return tuple(codes)


def _event(cells: Cells, births: Mapping[str, date | None]) -> EventRow | None:
    """One row, or None where a cell was at fault. Cells the event has no use for are named and left out."""
    reference, on = _whose(cells, births), cells.day("on", required=True)
    _check_birth(cells, "on", on, births.get(reference))
    word = cells.choice("event", EVENT_WORDS)
    if word is None:
        return None
    uses = _USES[word]
    for column in ("kind", "until", "family"):
        if cells.raw(column) and column not in uses:
            cells.warn(column, f"a {word} has no {column}; the cell is left out", "leave it empty")
    kind = cells.kind("kind") if "kind" in uses else None
    until = cells.day("until") if "until" in uses else None
    family = cells.text("family", longest=60, required=True) if "family" in uses else ""
    if on and until and until <= on:
        wrong = f"the pause ends on or before its first day, {on}"
        cells.fail("until", wrong, "write the first day after the pause, or leave it empty while it is open")
    if cells.failed or on is None:
        return None
    return EventRow(cells.row, reference, EVENT_WORDS[word], kind, on, until, family)


def _whose(cells: Cells, births: Mapping[str, date | None]) -> str:
    """The patient of a row."""
    reference = cells.text("patient_ref", longest=40, required=True)
    if reference and reference not in births:
        fail_unknown_patient(cells)
    return reference


def _check_birth(cells: Cells, column: str, day: date | None, born: date | None) -> None:
    """Nothing happens to a patient before birth."""
    if day and born and day < born:
        wrong = f"this lies before the patient's birth on {born}"
        cells.fail(column, wrong, "correct this date, or the date of birth in patients.csv")
