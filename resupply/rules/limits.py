"""What may be dispensed of one code on one day: from when, and how many.

For the code a line is refilled with, this is what the line's plan says. Another code of the same kind has
coverage of its own: its own allowance, covered starts and units at once count, while the supply is the
line's. A code of a kind the patient never had may be dispensed at once, within its allowance.

Edge cases: no allowance on file, or a patient who pays: no published limit, but still a first day. Source:
as in `refills`; the reading for another code of the line is ours.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Self

from resupply.rules.facts import Allowance, PatientFacts, Policy
from resupply.rules.lines import LinePlan, Terms, allowance_of, coverage_of, plan_lines
from resupply.rules.periods import add, add_days
from resupply.rules.refills import quantity_limit, rule_for


@dataclass(frozen=True, slots=True)
class Limit:
    """`deliver_from` None: nothing stands against any day. `quantity` None: no published limit."""

    deliver_from: date | None
    quantity: int | None


@dataclass(frozen=True, slots=True)
class Room:
    """What the limits of a code on the days to come follow from, as long as nothing else happens."""

    supply_ends_on: date | None
    """Expected end of the line's supply; None where the patient never had such a part."""
    deliver_from: date | None
    allowance: Allowance | None
    starts: Sequence[date]
    opens_on: date | None
    billed_on: Sequence[date]
    delivery_lead: int

    @classmethod
    def of(cls, line: LinePlan) -> Self:
        """The room for the code that a line is refilled with."""
        return cls(
            line.supply_ends_on,
            line.deliver_from,
            allowance_of(line),
            line.covered_starts,
            line.covered_from,
            line.billed_on,
            line.delivery_lead,
        )

    def on(self, day: date) -> Limit:
        """The limit on a day."""
        if self.allowance is None:
            return Limit(self.deliver_from, None)
        if self.deliver_from is not None and day < self.deliver_from:
            return Limit(self.deliver_from, 0)
        quantity = quantity_limit(
            day,
            allowance=self.allowance,
            starts=self.starts,
            opens_on=self.opens_on,
            billed_on=self.billed_on,
            delivery_lead=self.delivery_lead,
        )
        return Limit(self.deliver_from, quantity)

    def first_day_for(self, quantity: int, *, after: date) -> date | None:
        """The first day, not before `after`, on which so many units may go out at once; None: never."""
        day = max(after, self.deliver_from) if self.deliver_from else after
        if self.allowance is None:
            return day
        if quantity > self.allowance.units * self.allowance.at_once:
            return None
        used = [*self.starts, *self.billed_on]
        last = add(max(used), self.allowance.period, self.allowance.at_once) if used else day
        while day < last and (self.on(day).quantity or 0) < quantity:
            day = add_days(day, 1)
        return day


def limit_of(code: str, facts: PatientFacts, policy: Policy, *, as_of: date) -> Limit:
    """The limit of a code on a day. Raises KeyError for a code that is no part type."""
    return room_for(code, facts, policy, plan_lines(facts, policy, as_of=as_of), as_of=as_of).on(as_of)


def room_for(
    code: str, facts: PatientFacts, policy: Policy, lines: Iterable[LinePlan], *, as_of: date
) -> Room:
    """The room for a code, `lines` being the patient's as of that day. Raises KeyError as `limit_of` does."""
    kind = policy.kinds[code]
    line = next((plan for plan in lines if plan.kind == kind), None)
    if line is not None and line.code == code:
        return Room.of(line)
    supply_ends_on = line.supply_ends_on if line is not None else None
    terms = Terms.of(facts, policy, as_of=as_of)
    allowance, billed, starts, opens_on = coverage_of(code, facts, terms, as_of=as_of)
    refill_on = max((day for day in (supply_ends_on, opens_on) if day is not None), default=None)
    lead = rule_for(terms.rules, refill_on or as_of).delivery_lead
    deliver_from = add_days(refill_on, -lead) if refill_on is not None else None
    return Room(supply_ends_on, deliver_from, allowance, starts, opens_on, billed, lead)
