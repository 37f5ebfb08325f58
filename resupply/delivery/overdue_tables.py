"""The overdue list as a table for files: the columns, and one line's cells. Days are days, text is text."""

from datetime import date
from typing import TYPE_CHECKING

from resupply.delivery.overdue_words import last_words, step_words
from resupply.delivery.tables_out import Cell
from resupply.queries.overdue_known import Looked

if TYPE_CHECKING:
    from resupply.queries.overdue import OverdueLine

HEADER = (
    "patient_ref", "given_name", "family_name", "birth_date", "phone", "location", "payer", "kind",
    "part_code", "supply_ended_on", "days_overdue", "covered_from", "waiting_for_coverage", "last_contact_on",
    "last_contact", "next_step", "exception", "assigned_to", "snoozed_until", "note",
)  # fmt: skip


def cells(line: "OverdueLine", looked: Looked, *, today: date) -> list[Cell]:
    """One line in the order of `HEADER`; `exception`: why the last one was given outside the limits."""
    patient, last = line.patient, looked.last
    waiting = line.covered_from is not None and line.covered_from > today
    return [
        patient.reference, patient.given_name, patient.family_name, patient.birth_date, patient.phone,
        line.location_name, line.payer_name or "", line.kind, line.part_code,
        line.supply_ends_on, (today - line.supply_ends_on).days, line.covered_from,
        "yes" if waiting else "no", last.on if last else None, last_words(last),
        step_words(looked.step, today=today), line.last_exception or "",
        looked.assigned_to, looked.snoozed_until, looked.note,
    ]  # fmt: skip
