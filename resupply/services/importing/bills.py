"""Whom an imported row was billed to."""

from collections.abc import Mapping, Sequence

from resupply.models import Patient, Payer
from resupply.services.importing.columns import DISPENSES
from resupply.services.importing.known import Payers
from resupply.services.importing.report import Report
from resupply.services.importing.rows import DispenseRow, PatientRow


def bill(
    rows: Sequence[tuple[DispenseRow, str]],
    patients: Sequence[PatientRow],
    people: Mapping[str, Patient],
    payers: Mapping[str, Payer],
    report: Report,
) -> dict[int, int]:
    """The payer's id by row number, of the rows marked as billed.

    It is the payer imported with the patient; where the folder does not say who pays, the patient's payer
    on record on that day. Where the patient pays, nobody is billed, and a warning says so.
    """
    imported = {row.reference: row.payer for row in patients if row.payer is not None}
    billed = [row for row, _ in rows if row.billed]
    on_record = Payers({people[row.reference].pk for row in billed if row.reference not in imported})
    found: dict[int, int] = {}
    for row in billed:
        if row.reference not in imported:
            payer_id = on_record.on(people[row.reference].pk, row.on)
        else:
            payer_id = payers[imported[row.reference]].pk if imported[row.reference] else None
        if payer_id is not None:
            found[row.number] = payer_id
            continue
        wrong = "this patient has no payer; the row is kept, billed to nobody"
        mend = "write no, or name the payer in patients.csv"
        report.add(DISPENSES.file, row.number, "billed", "yes", wrong, mend, is_warning=True)
    return found
