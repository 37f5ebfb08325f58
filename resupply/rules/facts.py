"""What the rules are told: recorded facts of one patient, and the policy in force. Frozen, no behaviour.

A fact's `ref` names the record behind it (`dispense line 14 of 2026-01-31`), for explanations; the rules
never read it. Sequences keep the order of recording; rules order them by day and keep that order within a
day.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit


@dataclass(frozen=True, slots=True)
class Delivery:
    """`quantity` (>= 1) units of one code given on a day.

    `contains`: codes packed in each mask unit, in order.
    """

    on: date
    kind: Kind
    code: str
    quantity: int
    family: str = ""
    first_use_on: date | None = None
    contains: tuple[str, ...] = ()
    billed_to: str = ""
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Swap:
    """The patient reported changing the part of this kind on this day."""

    on: date
    kind: Kind
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Loss:
    """The unit in use was lost or broken on this day."""

    on: date
    kind: Kind
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Refit:
    """The patient was refitted to a mask of `family` (not empty) on this day."""

    on: date
    family: str
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Pause:
    """No therapy in `[start, until)`; `until` None: still open."""

    start: date
    until: date | None = None
    ref: str = ""


@dataclass(frozen=True, slots=True)
class LifeVersion:
    """A life in force from a day on; `life` None takes an earlier override back."""

    effective_from: date
    life: Period | None
    ref: str = ""


class LifeStep(NamedTuple):
    """From `start` on, until the next step starts, units of a code have this life."""

    start: date
    life: Period
    ref: str


Schedule = tuple[LifeStep, ...]
"""The life of a code over time, as the versions in force make it (`versions.life_schedule`)."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """A payer's usual maximum: `units` per `period`, at most `at_once` periods' worth at a time."""

    effective_from: date
    units: int
    period: Period
    at_once: int
    ref: str = ""


@dataclass(frozen=True, slots=True)
class RefillRule:
    """How early to ask and to dispense, in days before the refill date, for refill dates from
    `effective_from`.
    """

    effective_from: date
    contact_lead: int
    delivery_lead: int
    ref: str = ""


THREE_MONTHS = Period(3, Unit.MONTH)


@dataclass(frozen=True, slots=True)
class ClinicTerms:
    """The clinic's own choices from a day on: days without a question after a delivery, and the supply aimed
    at.
    """

    effective_from: date
    gap_days: int = 7
    target: Period = THREE_MONTHS
    ref: str = ""


@dataclass(frozen=True, slots=True)
class PayerTerms:
    """Allowances by code and refill rules of one payer, each a list of versions.

    No rules: the clinic's own.
    """

    allowances: Mapping[str, tuple[Allowance, ...]] = field(default_factory=dict)
    refill_rules: tuple[RefillRule, ...] = ()


@dataclass(frozen=True, slots=True)
class CoverageSpan:
    """From `start` on this payer pays (empty: the patient), until the next span starts."""

    start: date
    payer: str


@dataclass(frozen=True, slots=True)
class Policy:
    """What holds for every patient: kinds and lives by code, payers, the clinic's own rules."""

    kinds: Mapping[str, Kind]
    default_lives: Mapping[str, LifeVersion]
    clinic_lives: Mapping[str, tuple[LifeVersion, ...]] = field(default_factory=dict)
    payers: Mapping[str, PayerTerms] = field(default_factory=dict)
    clinic_refill_rules: tuple[RefillRule, ...] = ()
    clinic_terms: tuple[ClinicTerms, ...] = ()
    schedules: dict[str, Schedule] = field(default_factory=dict, init=False, compare=False, repr=False)
    """Filled by `versions.life_schedule`: one policy serves a whole rebuild."""


@dataclass(frozen=True, slots=True)
class PatientFacts:
    """Everything recorded about one patient that the plan depends on."""

    deliveries: tuple[Delivery, ...] = ()
    swaps: tuple[Swap, ...] = ()
    losses: tuple[Loss, ...] = ()
    refits: tuple[Refit, ...] = ()
    pauses: tuple[Pause, ...] = ()
    own_lives: Mapping[str, tuple[LifeVersion, ...]] = field(default_factory=dict)
    coverage: tuple[CoverageSpan, ...] = ()
