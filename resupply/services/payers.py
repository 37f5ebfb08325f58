"""Writes about payers themselves: added, named, and given the published usual maximums. Never deleted.

What a payer allows is a dated version (`policies`), and a change of it goes through a draft that shows what
it would do. A payer that covers nobody yet moves no plan: the shipped table is taken over at once.
"""

from datetime import datetime
from enum import StrEnum
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import IntegrityError, transaction

from resupply.models import AllowanceVersion, Coverage, Payer, RefillSource
from resupply.rules import adherence
from resupply.rules.tables import usual_maximums
from resupply.services.errors import Refused
from resupply.services.records import stamp


class PayerRules(StrEnum):
    """By what a payer's patients are planned at first."""

    PUBLISHED = "published"
    """The published usual maximums and refill rule, from the shipped tables."""
    NONE = "none"
    """No limits yet, and the clinic's own leads."""


def add_payer(
    name: str, rules: PayerRules, *, reevaluation: str, by: AbstractBaseUser | None, now: datetime
) -> Payer:
    """Add a payer; `reevaluation` is the covering policy with a window for it (empty: none).

    Raises Refused: `name_missing`, `name_taken`, `policy`.
    """
    if reevaluation and reevaluation not in adherence.shipped()[1]:
        raise Refused("policy", "Choose a policy, or none.", "reevaluation")
    with transaction.atomic():
        payer = _named(Payer(reevaluation=reevaluation), name)
        if rules is PayerRules.PUBLISHED:
            _take_over(payer, by=by, now=now)
    return payer


def rename_payer(payer: Payer, name: str) -> Payer:
    """Give a payer another name; history keeps the one before. Refuses `name_missing`, `name_taken`."""
    return _named(payer, name)


def take_over_published(payer: Payer, *, by: AbstractBaseUser | None, now: datetime) -> Payer:
    """Give a payer that covers nobody yet the published usual maximums and refill rule.

    Raises Refused: `has_allowances`, `covers` (then each is drafted, with what it would do).
    """
    with transaction.atomic():
        held = Payer.objects.select_for_update().get(pk=payer.pk)  # in full: a coverage waits meanwhile
        if AllowanceVersion.objects.standing().filter(payer=held).exists():
            raise Refused("has_allowances", f"{held.name} has allowances already: change them under Policy.")
        if Coverage.objects.filter(payer=held).exists():
            raise Refused(
                "covers",
                f"{held.name} covers patients, and their plans would move. Draft its allowances under "
                "Policy, where you see what each would do.",
            )
        _take_over(held, by=by, now=now)
    return held


def published_allowances() -> list[dict[str, Any]]:
    """Fields of `AllowanceVersion` for every row of the published table, each with its source."""
    return [
        {
            "part_code": code,
            "units": row.units,
            "period_count": row.period.count,
            "period_unit": row.period.unit,
            "at_once_periods": row.at_once,
            "effective_from": row.effective_from,
            "source": row.ref,
        }
        for code, row in usual_maximums().items()
    ]


def _take_over(payer: Payer, *, by: AbstractBaseUser | None, now: datetime) -> None:
    AllowanceVersion.objects.bulk_create(
        AllowanceVersion(payer=payer, **values, **stamp(by, now)) for values in published_allowances()
    )
    if payer.refill_source == RefillSource.CLINIC:
        payer.refill_source = RefillSource.SHIPPED
        payer.save(update_fields=["refill_source"])


def _named(payer: Payer, typed: str) -> Payer:
    name = " ".join(typed.split())
    if not name:
        raise Refused("name_missing", "Name the payer as your staff know it.", "name")
    twin = Payer.objects.filter(name__iexact=name).exclude(pk=payer.pk).first()
    if twin is not None:
        raise Refused("name_taken", f"There is a payer “{twin.name}” already.", "name")
    payer.name = name
    try:
        with transaction.atomic():
            payer.save()
    except IntegrityError:  # somebody else was quicker with the same name
        raise Refused("name_taken", f"There is a payer “{name}” already.", "name") from None
    return payer
