"""The files another system hands us, and their columns. This is a stable interface: add, never rename."""

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
