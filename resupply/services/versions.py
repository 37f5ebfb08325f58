"""Versions of policy as they are written: what a draft has to say, and the row it becomes.

A version is appended, never edited. Who calls `append` or `take_version_back` changes plans with it.
"""

from collections.abc import Mapping
from datetime import datetime, time
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import (
    AllowanceVersion,
    CleaningChoice,
    ClinicTermsVersion,
    DraftAct,
    FollowUpPlanVersion,
    LifeVersion,
    MatchingVersion,
    MessageTermsVersion,
    Payer,
    PolicyDraft,
    PolicyKind,
    RefillRuleVersion,
    RefillSource,
    Voidable,
)
from resupply.rules.cleaning import cleaning_tasks
from resupply.rules.follow_ups import FollowUpStep
from resupply.rules.periods import Unit
from resupply.rules.tables import part_types
from resupply.services.errors import Refused
from resupply.services.follow_ups import check_steps
from resupply.services.matching import check_table
from resupply.services.message_terms import check_numbers
from resupply.services.records import stamp, take_back

Values = Mapping[str, Any]
MODELS: dict[str, type[Voidable]] = {
    PolicyKind.LIFE: LifeVersion,
    PolicyKind.ALLOWANCE: AllowanceVersion,
    PolicyKind.REFILL: RefillRuleVersion,
    PolicyKind.TERMS: ClinicTermsVersion,
    PolicyKind.CLEANING: CleaningChoice,
    PolicyKind.MATCHING: MatchingVersion,
    PolicyKind.FOLLOW_UPS: FollowUpPlanVersion,
    PolicyKind.MESSAGES: MessageTermsVersion,
}
"""Kinds of versions, and the table of each; the last three move no plan."""
FIELDS: dict[str, tuple[str, ...]] = {
    PolicyKind.LIFE: ("part_code", "period_count", "period_unit"),
    PolicyKind.ALLOWANCE: ("part_code", "units", "period_count", "period_unit", "at_once_periods"),
    PolicyKind.REFILL: ("contact_lead_days", "delivery_lead_days"),
    PolicyKind.TERMS: ("gap_days", "target_count", "target_unit"),
    PolicyKind.CLEANING: ("task", "frequency"),
    PolicyKind.MATCHING: ("table",),
    PolicyKind.FOLLOW_UPS: ("steps",),
    PolicyKind.MESSAGES: ("opens", "closes", "per_week", "second_ask_days", "link_ahead_days"),
}
"""What a version of a kind says, besides its payer and its day."""
LONGEST = 1200
"""The longest period in days, weeks or months that is no slip of the keyboard."""
MOST_UNITS = 1000


def check(kind: PolicyKind, values: Values, payer: Payer | None) -> None:
    """Raises Refused, with the field at fault, where no version of this kind can say so: `unknown_code`,
    `period`, `units`, `at_once`, `leads`, `gap_days`, `task`, `frequency`, `payer`, `table`, `steps`,
    `hours`, `per_week`, `days`.
    """
    _CHECKS[kind](values)
    if (kind == PolicyKind.ALLOWANCE) > (payer is not None):
        raise Refused("payer", "Choose the payer.", "payer")


def plain(value: object) -> object:
    """A value of a version as a draft keeps it: times as `HH:MM`."""
    return f"{value:%H:%M}" if isinstance(value, time) else value


def append(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> Voidable:
    """Write the version that a draft describes. A payer with a refill rule of its own is planned by it."""
    model: Any = MODELS[draft.kind]
    fields: dict[str, Any] = {name: draft.values[name] for name in FIELDS[draft.kind]}
    if draft.kind in (PolicyKind.ALLOWANCE, PolicyKind.REFILL):
        fields |= {"payer": draft.payer, "source": draft.source}
    else:
        fields["reason"] = draft.reason
    version: Voidable = model._default_manager.create(
        effective_from=draft.effective_from, **fields, **stamp(by, now)
    )
    if draft.kind == PolicyKind.REFILL and draft.payer is not None:
        Payer.objects.filter(pk=draft.payer.pk).exclude(refill_source=RefillSource.OWN).update(
            refill_source=RefillSource.OWN
        )
    return version


def take_version_back(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> Voidable:
    """Void the version that a draft names, with the draft's reason. Raises Refused `already_void`."""
    version = MODELS[draft.kind]._default_manager.get(pk=draft.version_id)
    take_back(version, reason=draft.reason, by=by, now=now)
    return version


def realise(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> Voidable:
    """Do to the ledger what a draft says."""
    do = take_version_back if draft.act == DraftAct.VOID else append
    return do(draft, by=by, now=now)


def _check_code(values: Values) -> None:
    if values["part_code"] not in part_types():
        raise Refused("unknown_code", f"“{values['part_code']}” is no part code on file.", "part_code")


def _check_period(values: Values, count: str, unit: str, what: str) -> None:
    if not values[count] or not 1 <= values[count] <= LONGEST:
        raise Refused("period", f"Enter {what} of 1 to {LONGEST} days, weeks or months.", count)
    if values[unit] not in set(Unit):
        raise Refused("period", "Choose days, weeks or months.", unit)


def _check_life(values: Values) -> None:
    _check_code(values)
    _check_period(values, "period_count", "period_unit", "a life")


def _check_allowance(values: Values) -> None:
    _check_code(values)
    if not 1 <= values["units"] <= MOST_UNITS:
        raise Refused("units", f"Enter from 1 to {MOST_UNITS} units.", "units")
    _check_period(values, "period_count", "period_unit", "a period")
    if not 1 <= values["at_once_periods"] <= 24:
        raise Refused("at_once", "Enter from 1 to 24 periods at once.", "at_once_periods")


def _check_refill(values: Values) -> None:
    if not 0 <= values["delivery_lead_days"] <= values["contact_lead_days"] <= 365:
        raise Refused("leads", "Ask no later than you dispense, both within a year.", "contact_lead_days")


def _check_terms(values: Values) -> None:
    if not 0 <= values["gap_days"] <= 90:
        raise Refused("gap_days", "Enter from 0 to 90 days.", "gap_days")
    _check_period(values, "target_count", "target_unit", "a supply")


def _check_cleaning(values: Values) -> None:
    if values["task"] not in cleaning_tasks():
        raise Refused("task", "Choose a task from the list.", "task")
    if values["frequency"] not in {"", "daily", "weekly", "monthly"}:
        raise Refused("frequency", "Choose daily, weekly, monthly or not used.", "frequency")


def _check_matching(values: Values) -> None:
    check_table(values["table"])


def _check_follow_ups(values: Values) -> None:
    check_steps([FollowUpStep(**row) for row in values["steps"]])


def _check_messages(values: Values) -> None:
    hours = {name: time.fromisoformat(values[name]) for name in ("opens", "closes")}
    check_numbers(**{name: values[name] for name in FIELDS[PolicyKind.MESSAGES]} | hours)


_CHECKS = {
    PolicyKind.LIFE: _check_life,
    PolicyKind.ALLOWANCE: _check_allowance,
    PolicyKind.REFILL: _check_refill,
    PolicyKind.TERMS: _check_terms,
    PolicyKind.CLEANING: _check_cleaning,
    PolicyKind.MATCHING: _check_matching,
    PolicyKind.FOLLOW_UPS: _check_follow_ups,
    PolicyKind.MESSAGES: _check_messages,
}
