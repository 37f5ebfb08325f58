"""The files another system hands us, and their columns. This is a stable interface: add, never rename."""

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """One file: `required` columns must be in its header, `optional` ones may be left out."""

    name: str
    required: tuple[str, ...]
    optional: tuple[str, ...]

    @property
    def file(self) -> str:
        """Name of the file in the folder."""
        return f"{self.name}.csv"

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column the file may have."""
        return self.required + self.optional


PATIENTS = Table(
    "patients",
    required=("patient_ref", "given_name", "family_name", "birth_date"),
    optional=("email", "phone", "language", "time_zone", "location", "payer", "therapy_started_on"),
)
LIVES = Table(
    "lives",
    required=("part_code", "period_count", "period_unit", "effective_from"),
    optional=("patient_ref", "reason"),
)
ALLOWANCES = Table(
    "allowances",
    required=("payer", "part_code", "units", "period_count", "period_unit", "effective_from"),
    optional=("at_once_periods",),
)
DISPENSES = Table(
    "dispenses",
    required=("patient_ref", "dispensed_on", "part_code", "quantity"),
    optional=("first_use_on", "billed", "family", "lot", "expires_on", "contains"),
)
EVENTS = Table("events", required=("patient_ref", "event", "on"), optional=("kind", "until", "family"))

TABLES = (PATIENTS, LIVES, ALLOWANCES, DISPENSES, EVENTS)

DAYS = frozenset(
    {
        "birth_date",
        "therapy_started_on",
        "effective_from",
        "dispensed_on",
        "first_use_on",
        "expires_on",
        "on",
        "until",
    }
)
"""Columns of calendar dates, in whichever table."""

ROW_IN_FILE, WRONG, MEND = "row_in_file", "what_is_wrong", "what_to_do"
HANDED_BACK = (ROW_IN_FILE, WRONG, MEND)
"""Columns that we add to rows at fault: where the row stood, and two for people. No table has them."""


def table_of(file_name: str) -> Table | None:
    """The table a file holds by its name, as programs save it: `patients.csv`, `Patients (2).csv`.

    >>> table_of("Patients-mended.csv").name, table_of("patientsheet.csv")
    ('patients', None)
    """
    found = re.fullmatch(r"([a-z]+)(?![a-z]).*\.csv", file_name.strip().lower(), re.DOTALL)
    return next((table for table in TABLES if found and table.name == found[1]), None)
