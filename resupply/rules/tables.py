"""The shipped tables: part types with their lives, usual maximums, refill rules; TOML beside the code.

Every row carries a source and a mark: `P` read in a copy of the source, `P2` read on a page that reports it,
`M` from memory, `CP` common practice of the trade. Shipped rows are defaults: a clinic adds versions of its
own, nothing here is edited in place. Each function reads its file once.

>>> part_types()["A7032"].life
Period(count=1, unit=<Unit.MONTH: 'month'>)
>>> usual_maximums()["A7032"].units
2
>>> "A7044" in usual_maximums()  # no published limit
False
>>> refill_rule_on(date(2023, 12, 31)).version, refill_rule_on(date(2024, 1, 1)).version
('v1', 'v2')
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from resupply.rules.facts import Allowance, LifeVersion, RefillRule
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit


class BillingUnit(StrEnum):
    """What one unit of a code is. A pair of pillows is one unit, in one piece or in two."""

    EACH = "each"
    PAIR = "pair"


class Anchor(StrEnum):
    """The day from which a limit on contact is counted back."""

    DELIVERY = "delivery"
    END_OF_SUPPLY = "end_of_supply"


@dataclass(frozen=True, slots=True)
class PartType:
    """A billing code, its kind and its shipped life; `mark` is of code and unit, `life_mark` of the life."""

    code: str
    kind: Kind
    name: str
    unit: BillingUnit
    life: Period
    source: str
    mark: str
    life_source: str
    life_mark: str


@dataclass(frozen=True, slots=True)
class PublishedRefillRule:
    """One version of the published refill rule, for dates of service from `effective_from`; leads in days."""

    version: str
    effective_from: date
    contact_lead: int
    contact_anchor: Anchor
    delivery_lead: int
    binding: bool
    source: str
    mark: str


@cache
def part_types() -> Mapping[str, PartType]:
    """Shipped part types by billing code."""
    table = _load("part_types")
    sources = table["sources"]
    parts = (
        PartType(
            code=row["code"],
            kind=Kind(row["kind"]),
            name=row["name"],
            unit=BillingUnit(row["unit"]),
            life=Period(row["life"]["count"], Unit(row["life"]["unit"])),
            source=sources[row["source"]],
            mark=row["mark"],
            life_source=sources["practice"],
            life_mark=row["life_mark"],
        )
        for row in table["part"]
    )
    return MappingProxyType({part.code: part for part in parts})


@cache
def shipped_kinds() -> Mapping[str, Kind]:
    """Kind of each shipped billing code, in the shape `Policy.kinds` takes."""
    return MappingProxyType({code: part.kind for code, part in part_types().items()})


@cache
def shipped_lives() -> Mapping[str, LifeVersion]:
    """Shipped life of each billing code, in force from ever, in the shape `Policy.default_lives` takes."""
    return MappingProxyType(
        {
            code: LifeVersion(date.min, part.life, f"shipped life of {code}")
            for code, part in part_types().items()
        }
    )


@cache
def usual_maximums() -> Mapping[str, Allowance]:
    """Published usual maximums by billing code; a code that is missing has no published limit."""
    table = _load("usual_maximums")
    source = table["sources"]["table"]
    return MappingProxyType(
        {
            row["code"]: Allowance(
                effective_from=source["effective_from"],
                units=row["units"],
                period=Period(row["months"], Unit.MONTH),
                at_once=row["at_once"],
                ref=source["text"],
            )
            for row in table["maximum"]
        }
    )


@cache
def published_refill_rules() -> tuple[PublishedRefillRule, ...]:
    """All versions of the published refill rule, oldest first; the first is in force from ever."""
    return tuple(
        PublishedRefillRule(
            version=row["version"],
            effective_from=row.get("effective_from", date.min),
            contact_lead=row["contact_lead"],
            contact_anchor=Anchor(row["contact_anchor"]),
            delivery_lead=row["delivery_lead"],
            binding=row["binding"],
            source=row["source"],
            mark=row["mark"],
        )
        for row in _load("refill_rules")["rule"]
    )


def refill_rule_on(date_of_service: date) -> PublishedRefillRule:
    """The version of the published refill rule in force for a date of service."""
    return max(
        (rule for rule in published_refill_rules() if rule.effective_from <= date_of_service),
        key=lambda rule: rule.effective_from,
    )


@cache
def shipped_refill_rules() -> tuple[RefillRule, ...]:
    """The published rule as plans use it: both leads counted back from the refill date, oldest first.

    Where contact was limited before the delivery, the earliest contact is the two leads together. Versions
    that never bound anyone are not planned with.
    """
    return tuple(
        RefillRule(
            effective_from=rule.effective_from,
            contact_lead=rule.contact_lead
            + (rule.delivery_lead if rule.contact_anchor is Anchor.DELIVERY else 0),
            delivery_lead=rule.delivery_lead,
            ref=f"{rule.version}: {rule.source}",
        )
        for rule in published_refill_rules()
        if rule.binding
    )


def _load(name: str) -> dict[str, Any]:
    """The parsed table `name`.toml beside this module."""
    return tomllib.loads(Path(__file__).with_name(f"{name}.toml").read_text("utf-8"))
