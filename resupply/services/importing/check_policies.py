"""lives.csv and allowances.csv: the rows checked."""

from collections.abc import Container

from resupply.rules.periods import Unit
from resupply.services.importing.cells import Cells
from resupply.services.importing.columns import ALLOWANCES, LIVES
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report
from resupply.services.importing.rows import AllowanceRow, LifeRow

LONGEST_PERIOD = 3_650
MOST_UNITS = 1_000
UNSTATED_REASON = "no reason stated in the imported file"


def check_lives(raws: list[RawRow], patients: Container[str], report: Report) -> list[LifeRow]:
    """The life versions that stand; `patients` are all references that are known."""
    rows = (_life(Cells(LIVES, raw, report), patients) for raw in raws)
    return [row for row in rows if row is not None]


def check_allowances(raws: list[RawRow], report: Report) -> list[AllowanceRow]:
    """The allowance versions that stand."""
    rows = (_allowance(Cells(ALLOWANCES, raw, report)) for raw in raws)
    return [row for row in rows if row is not None]


def _life(cells: Cells, patients: Container[str]) -> LifeRow | None:
    """One row, or None where a cell was at fault. A patient's own without a period: policy counts again."""
    reference = cells.text("patient_ref", longest=40)
    if reference and reference not in patients:
        fail_unknown_patient(cells)
    reason = cells.text("reason", longest=300)
    ends = bool(reference) and not cells.raw("period_count")
    code = cells.code("part_code")
    count = None if ends else cells.number("period_count", most=LONGEST_PERIOD)
    unit = cells.choice("period_unit", (unit.value for unit in Unit), empty=Unit.MONTH if ends else None)
    since = cells.day("effective_from", required=True)
    if reference and not reason:
        wrong = "a life of one patient's own should state its reason"
        cells.warn("reason", wrong, f'write why; as it is, "{UNSTATED_REASON}" is recorded')
        reason = UNSTATED_REASON
    if cells.failed or not (code and (count or ends) and unit and since):
        return None
    return LifeRow(cells.row, reference, code, count, unit, since, reason)


def _allowance(cells: Cells) -> AllowanceRow | None:
    """One row, or None where a cell was at fault. Periods at once: 3 of one month, else 1, unless stated."""
    payer = cells.text("payer", longest=80, required=True)
    code, units = cells.code("part_code"), cells.number("units", most=MOST_UNITS)
    count = cells.number("period_count", most=LONGEST_PERIOD)
    unit = cells.choice("period_unit", (unit.value for unit in Unit))
    stated = cells.number("at_once_periods", most=MOST_UNITS) if cells.raw("at_once_periods") else None
    since = cells.day("effective_from", required=True)
    if cells.failed or not (code and units and count and unit and since):
        return None
    at_once = stated or (3 if (count, unit) == (1, Unit.MONTH) else 1)
    return AllowanceRow(cells.row, payer, code, units, count, unit, at_once, since)


def fail_unknown_patient(cells: Cells) -> None:
    """Report a reference that is neither in patients.csv nor on record."""
    wrong = "this patient is neither in patients.csv nor on record"
    cells.fail("patient_ref", wrong, "correct the reference, or add the patient to patients.csv")
