"""Checked rows, ready to be written. `number` is the row as a spreadsheet counts it."""

from dataclasses import dataclass
from datetime import date

from resupply.models import EventType
from resupply.rules.kinds import Kind


@dataclass(frozen=True, slots=True)
class PatientRow:
    """A patient. Empty text states nothing: what is on record stays, a new patient gets the default."""

    number: int
    reference: str
    given_name: str
    family_name: str
    birth_date: date
    email: str
    phone: str
    language: str
    time_zone: str
    location: str
    payer: str | None
    """Empty: the patient pays. None: the file has no such column."""
    therapy_started_on: date | None


@dataclass(frozen=True, slots=True)
class LifeRow:
    """A life version; an empty reference is the clinic's policy, no period takes a patient's own back."""

    number: int
    reference: str
    code: str
    period_count: int | None
    period_unit: str
    effective_from: date
    reason: str


@dataclass(frozen=True, slots=True)
class AllowanceRow:
    """A payer's usual maximum."""

    number: int
    payer: str
    code: str
    units: int
    period_count: int
    period_unit: str
    at_once: int
    effective_from: date


@dataclass(frozen=True, slots=True)
class DispenseRow:
    """Units of one code given on a day."""

    number: int
    reference: str
    on: date
    code: str
    kind: Kind
    quantity: int
    first_use_on: date | None
    billed: bool
    family: str
    lot: str
    expires_on: date | None
    contains: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened. `kind` for swaps and losses, `until` for pauses, `family` for refits."""

    number: int
    reference: str
    event: EventType
    kind: Kind | None
    on: date
    until: date | None
    family: str


@dataclass(slots=True)
class Rows:
    """The checked rows of a folder, in file order."""

    patients: list[PatientRow]
    lives: list[LifeRow]
    allowances: list[AllowanceRow]
    dispenses: list[DispenseRow]
    events: list[EventRow]
