"""Dated versions of the clinic's and the payers' rules.

A version is appended, never edited. They go one way, through a draft that is applied (`policy_changes`): here
all at once, in this process, without a preview. Every plan has followed on return. A patient's own lives are
written by `own_lives`.
"""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import Payer, PolicyDraft, PolicyKind
from resupply.rules import adherence
from resupply.rules.periods import Period
from resupply.services import policy_changes
from resupply.services.errors import Refused
from resupply.services.policy_changes import Wanted

LATEST_DAY = 730
"""The last day of a re-evaluation window that is no slip of the keyboard."""
UNSAID = "Set without a draft"
"""The reason on record where a program changes a rule and none is given."""


def set_life(
    part_code: str,
    life: Period,
    *,
    effective_from: date,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> None:
    """The clinic's life of a code from a day on. Raises Refused: `unknown_code`, `period`."""
    values = {"part_code": part_code, "period_count": life.count, "period_unit": life.unit.value}
    _set(PolicyKind.LIFE, values, effective_from=effective_from, reason=reason, by=by, now=now)


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
) -> None:
    """A payer's usual maximum of a code from a day on. Raises Refused: `unknown_code`, `units`, `at_once`."""
    values = {
        "part_code": part_code,
        "units": units,
        "period_count": period.count,
        "period_unit": period.unit.value,
        "at_once_periods": at_once_periods,
    }
    _set(
        PolicyKind.ALLOWANCE,
        values,
        payer=payer,
        effective_from=effective_from,
        source=source,
        by=by,
        now=now,
    )


def set_refill_rule(
    payer: Payer | None,
    *,
    contact_lead_days: int,
    delivery_lead_days: int,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    source: str = "",
) -> None:
    """How early to ask and to dispense, for a payer's patients or (None) by the clinic's own leads.

    A payer with a rule of its own is planned by it from then on. Raises Refused `leads`.
    """
    values = {"contact_lead_days": contact_lead_days, "delivery_lead_days": delivery_lead_days}
    _set(
        PolicyKind.REFILL,
        values,
        payer=payer,
        effective_from=effective_from,
        source=source,
        by=by,
        now=now,
    )
    if payer is not None:
        payer.refresh_from_db(fields=["refill_source"])


def set_terms(
    *,
    gap_days: int,
    target: Period,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    reason: str = "",
) -> None:
    """Days without a question after a delivery, and the supply a refill aims at. Refuses `gap_days`."""
    values = {"gap_days": gap_days, "target_count": target.count, "target_unit": target.unit.value}
    _set(PolicyKind.TERMS, values, effective_from=effective_from, reason=reason, by=by, now=now)


def set_cleaning(
    task: str,
    frequency: str,
    *,
    effective_from: date,
    by: AbstractBaseUser | None,
    now: datetime,
    reason: str = "",
) -> None:
    """The clinic's frequency of a cleaning task from a day on (daily, weekly, monthly; empty: not used)."""
    values = {"task": task, "frequency": frequency}
    _set(PolicyKind.CLEANING, values, effective_from=effective_from, reason=reason, by=by, now=now)


def _set(
    kind: PolicyKind,
    values: Mapping[str, Any],
    *,
    by: AbstractBaseUser | None,
    now: datetime,
    reason: str = "",
    **said: Any,
) -> PolicyDraft:
    wanted = Wanted(kind=kind, values=values, reason=reason or UNSAID, **said)
    draft = policy_changes.make(wanted, by=by, now=now)
    policy_changes.apply_now(draft, by=by, now=now)
    return draft


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
