"""Dated versions of the clinic's and the payers' rules, and one patient's own lives.

A version is appended, never edited. Every plan it bears on is refreshed in the same transaction.
"""

from collections.abc import Callable, Iterable
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Q

from resupply.models import (
    AllowanceVersion,
    CleaningChoice,
    ClinicTermsVersion,
    Coverage,
    DispenseLine,
    LifeVersion,
    Patient,
    Payer,
    PlanLine,
    RefillRuleVersion,
    RefillSource,
)
from resupply.rules import adherence
from resupply.rules.periods import Period
from resupply.rules.tables import part_types
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_reason, stamp

LATEST_DAY = 730
"""The last day of a re-evaluation window that is no slip of the keyboard."""

_LONGEST = 1200
"""The longest period in days, weeks or months that is no slip of the keyboard."""


def set_life(
    part_code: str,
    life: Period | None,
    *,
    effective_from: date,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
    patient: Patient | None = None,
) -> LifeVersion:
    """The life of a code from a day on, for the clinic or one patient; None takes a patient's override back.

    Raises Refused: `unknown_code`, `period`, `reason_missing` (a patient's own life needs one).
    """
    _check_code(part_code)
    if life is None and patient is None:
        raise Refused("period", "Enter how long a unit of this part lasts.", "period_count")
    if life is not None and life.count > _LONGEST:
        raise Refused("period", f"Enter a life of at most {_LONGEST}.", "period_count")
    with transaction.atomic():
        concerned = _lock(lambda: _holders(part_code)) if patient is None else _lock_one(patient)
        version = LifeVersion.objects.create(
            patient=patient,
            part_code=part_code,
            period_count=life.count if life else None,
            **({"period_unit": life.unit} if life else {}),
            effective_from=effective_from,
            reason=check_reason(reason) if patient is not None else reason.strip(),
            **stamp(by, now),
        )
        plans.refresh_plans(concerned, now=now)
    return version


def set_allowance(
    payer: Payer,
    part_code: str,
    *,
    units: int,
    period: Period,
    at_once_periods: int,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    source: str = "",
) -> AllowanceVersion:
    """A payer's usual maximum of a code from a day on. Raises Refused: `unknown_code`, `units`, `at_once`."""
    _check_code(part_code)
    if units < 1:
        raise Refused("units", "Enter at least 1 unit.", "units")
    if at_once_periods < 1:
        raise Refused("at_once", "Enter at least 1 period at once.", "at_once_periods")
    with transaction.atomic():
        concerned = _lock(lambda: _covered_by(payer))
        version = AllowanceVersion.objects.create(
            payer=payer,
            part_code=part_code,
            units=units,
            period_count=period.count,
            period_unit=period.unit,
            at_once_periods=at_once_periods,
            effective_from=effective_from,
            source=source.strip(),
            **stamp(by, now),
        )
        plans.refresh_plans(concerned, now=now)
    return version


def set_refill_rule(
    payer: Payer | None,
    *,
    contact_lead_days: int,
    delivery_lead_days: int,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    source: str = "",
) -> RefillRuleVersion:
    """How early to ask and to dispense, for a payer's patients or (None) by the clinic's own leads.

    A payer with a rule of its own is planned by it from then on. Raises Refused `leads`.
    """
    if not 0 <= delivery_lead_days <= contact_lead_days <= 365:
        raise Refused("leads", "Ask no later than you dispense, both within a year.", "contact_lead_days")
    with transaction.atomic():
        concerned = _lock(lambda: _covered_by(payer) if payer else _everyone())
        version = RefillRuleVersion.objects.create(
            payer=payer,
            contact_lead_days=contact_lead_days,
            delivery_lead_days=delivery_lead_days,
            effective_from=effective_from,
            source=source.strip(),
            **stamp(by, now),
        )
        if payer is not None and payer.refill_source != RefillSource.OWN:
            payer.refill_source = RefillSource.OWN
            payer.save(update_fields=["refill_source"])
        plans.refresh_plans(concerned, now=now)
    return version


def set_terms(
    *,
    gap_days: int,
    target: Period,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    reason: str = "",
) -> ClinicTermsVersion:
    """Days without a question after a delivery, and the supply a refill aims at. Refuses `gap_days`."""
    if not 0 <= gap_days <= 90:
        raise Refused("gap_days", "Enter from 0 to 90 days.", "gap_days")
    with transaction.atomic():
        concerned = _lock(_everyone)
        version = ClinicTermsVersion.objects.create(
            effective_from=effective_from,
            gap_days=gap_days,
            target_count=target.count,
            target_unit=target.unit,
            reason=reason.strip(),
            **stamp(by, now),
        )
        plans.refresh_plans(concerned, now=now)
    return version


def set_cleaning(
    task: str,
    frequency: str,
    *,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    reason: str = "",
) -> CleaningChoice:
    """The clinic's frequency of a cleaning task from a day on (daily, weekly, monthly; empty: not used)."""
    if frequency not in {"", "daily", "weekly", "monthly"}:
        raise Refused("frequency", "Choose daily, weekly, monthly or not used.", "frequency")
    with transaction.atomic():
        concerned = _lock(_everyone)
        choice = CleaningChoice.objects.create(
            task=task,
            frequency=frequency,
            effective_from=effective_from,
            reason=reason.strip(),
            **stamp(by, now),
        )
        plans.refresh_plans(concerned, now=now)
    return choice


def _check_code(part_code: str) -> None:
    if part_code not in part_types():
        raise Refused("unknown_code", f"“{part_code}” is no part code on file.", "part_code")


def _lock(find: Callable[[], Iterable[int]]) -> list[int]:
    """Lock the policy, then the patients concerned, before anything is written; return the patients."""
    plans.lock_policy()
    concerned = sorted(find())
    plans.lock_patients(concerned)
    return concerned


def _lock_one(patient: Patient) -> list[int]:
    plans.lock_patients([patient.pk])
    return [patient.pk]


def _holders(part_code: str) -> set[int]:
    """Patients who were ever given a code, by itself or packed with a mask."""
    given = DispenseLine.objects.filter(Q(part_code=part_code) | Q(contains__contains=[part_code]))
    return set(given.values_list("dispense__patient_id", flat=True))


def _covered_by(payer: Payer) -> set[int]:
    """Patients whom a payer covers, covered or will cover."""
    return set(Coverage.objects.filter(payer=payer, voided_at=None).values_list("patient_id", flat=True))


def _everyone() -> set[int]:
    """Patients with a plan."""
    return set(PlanLine.objects.values_list("patient_id", flat=True))


def set_reevaluation(payer: Payer, policy: str, *, first: int | None, last: int | None) -> Payer:
    """Which policy's re-evaluation window a payer's patients have ("": none), with the payer's own days from
    the first night (day 1) where they differ. History keeps who changed what.

    Raises Refused: `policy`, `days` (out of order, or without a policy).
    """
    known = adherence.shipped()[1]
    if policy and policy not in known:
        raise Refused("policy", "Choose a policy, or none.", "policy")
    if not policy and (first or last):
        raise Refused("days", "Days belong to a policy: choose one, or leave them empty.", "first")
    if policy:
        rule = known[policy]
        from_day, to_day = first or rule.first_day, last or rule.last_day
        if not 1 <= from_day < to_day <= LATEST_DAY:
            raise Refused("days", f"Days go from 1 to {LATEST_DAY}, the first before the last.", "first")
    payer.reevaluation, payer.reevaluation_first, payer.reevaluation_last = policy, first, last
    payer.save(update_fields=["reevaluation", "reevaluation_first", "reevaluation_last"])
    return payer
