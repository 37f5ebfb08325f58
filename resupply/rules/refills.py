"""Refill: when to ask, when to dispense, how many.

`refill_on` is the later of the end of supply and the day coverage opens. The patient may be asked a contact
lead before it, but not within some days (7 unless the clinic changes it) of the latest delivery; parts may be
dispensed a delivery lead before it. The leads are those of the payer's refill rule in force on `refill_on`.

The limit on a day is 0 before `deliver_from`; else the largest `q` such that `q` more units would all be
covered within the number of periods the payer allows at once, and not more than that number's worth has gone
out lately.

Edge cases: no allowance on file is no published limit, never 0 and never unlimited. Sources: US 42 CFR
410.38(d)(4) as amended by CMS-1780-F (leads; see refill_rules.toml); one- or three-month quantities: joint
DME MAC reminder of 2024-01-04. The suggestion (fewest lives that reach three months) is ours.
"""

from collections.abc import Sequence
from datetime import date
from typing import TypeVar

from resupply.rules.coverage import next_start
from resupply.rules.facts import Allowance, RefillRule
from resupply.rules.periods import Period, add, add_days
from resupply.rules.versions import Dated, in_force_or_first

Versions = TypeVar("Versions", bound=Sequence[Dated])

DEFAULT_RULE = RefillRule(date.min, contact_lead=30, delivery_lead=10, ref="the clinic's own leads")
"""Leads of a clinic that has not chosen its own."""


def followed(own: Versions, clinic: Versions) -> Versions:
    """The versions that give a payer's leads: of its own rule, or the clinic's where it has none."""
    return own or clinic


def rule_for(rules: Sequence[RefillRule], refill_on: date) -> RefillRule:
    """The version in force on a refill date; for a date before the first version, the first."""
    return in_force_or_first(rules, refill_on) or DEFAULT_RULE


def target_units(refill_on: date, life: Period, target: Period) -> int:
    """The fewest units whose lives, one after the other from `refill_on`, reach `refill_on + target`."""
    goal, units = add(refill_on, target), 1
    while add(refill_on, life, units) < goal:
        units += 1
    return units


def still_at_once(
    billed_on: Sequence[date], allowance: Allowance, day: date, delivery_lead: int
) -> list[date]:
    """Of the days on which units were billed, those that count against the units at once on `day`."""
    horizon = add_days(day, delivery_lead)
    counting: list[date] = []
    for t in reversed(billed_on):  # in order, so the first that no longer counts is the last to look at
        if t <= day:
            if add(t, allowance.period, allowance.at_once) <= horizon:
                break
            counting.append(t)
    counting.reverse()
    return counting


def quantity_limit(
    day: date,
    *,
    allowance: Allowance,
    starts: Sequence[date],
    opens_on: date | None,
    billed_on: Sequence[date],
    delivery_lead: int,
) -> int:
    """How many units may go out on `day` (which is not before `deliver_from`).

    `starts`: the last covered starts, at least `allowance.units` of them where there are that many;
    `opens_on`: `covered_from`; `billed_on`: delivery days of billed units, one per unit.
    """
    at_once = allowance.units * allowance.at_once
    room = at_once - len(still_at_once(billed_on, allowance, day, delivery_lead))
    end = add(max(day, opens_on) if opens_on else day, allowance.period, allowance.at_once)
    queue = list(starts[-allowance.units :])
    fits = 0
    while fits < room:
        start = next_start(queue, day, allowance)
        if start >= end:
            break
        queue.append(start)
        fits += 1
    return max(fits, 0)
