"""What may be dispensed of one code on one day: from when, how many, and how many are suggested.

For the code a line is refilled with, this is what the line's plan says. Another code of the same kind has
coverage of its own: its own allowance, covered starts and units at once count, while the supply is the
line's. A code of a kind the patient never had may be dispensed at once, within its allowance.

Edge cases: no allowance on file, or a patient who pays: no published limit, but still a first day. Source:
as in `refills`; the reading for another code of the line is ours.
"""

from dataclasses import dataclass, replace
from datetime import date

from resupply.rules.facts import Allowance, Delivery, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, plan_lines, read
from resupply.rules.periods import add_days
from resupply.rules.refills import quantity_limit


@dataclass(frozen=True, slots=True)
class Limit:
    """`quantity` None: no published limit (or the patient pays). `deliver_from` None: nothing on record
    yet.
    """

    code: str
    kind: Kind
    deliver_from: date | None
    quantity: int | None
    suggested: int

    def too_early(self, day: date) -> bool:
        """Whether parts given on a day come before the first day they may be dispensed."""
        return self.deliver_from is not None and day < self.deliver_from

    def too_many(self, quantity: int) -> bool:
        """Whether so many are more than the limit."""
        return self.quantity is not None and quantity > self.quantity


def limit_of(code: str, facts: PatientFacts, policy: Policy, *, as_of: date) -> Limit:
    """The limit of a code on a day. Raises KeyError for a code that is no part type."""
    kind = policy.kinds[code]
    line = next((plan for plan in plan_lines(facts, policy, as_of=as_of) if plan.kind == kind), None)
    if line is not None and line.code == code:
        return limit_of_line(line, as_of=as_of)
    other = _as_if_refilled_with(code, kind, facts, policy, as_of)
    supply_ends_on = line.supply_ends_on if line is not None else None
    days = [day for day in (supply_ends_on, other.covered_from) if day is not None]
    deliver_from = add_days(max(days), -other.delivery_lead) if days else None
    if other.allowance_units is None or other.allowance_period is None:
        return Limit(code, kind, deliver_from, None, 0)
    if deliver_from is not None and as_of < deliver_from:
        return Limit(code, kind, deliver_from, 0, 0)
    return Limit(code, kind, deliver_from, _room(other, as_of), 0)


def limit_of_line(line: LinePlan, *, as_of: date) -> Limit:
    """The limit of a line's own code on a day."""
    status = read(line, as_of=as_of)
    return Limit(line.code, line.kind, line.deliver_from, status.quantity_limit, status.quantity_suggested)


def _as_if_refilled_with(code: str, kind: Kind, facts: PatientFacts, policy: Policy, as_of: date) -> LinePlan:
    """The line as its plan would read had its latest unit been of this code: only its coverage is meant."""
    unbilled = Delivery(on=as_of, kind=kind, code=code, quantity=1)
    supposed = replace(facts, deliveries=(*facts.deliveries, unbilled))
    return next(plan for plan in plan_lines(supposed, policy, as_of=as_of) if plan.kind == kind)


def _room(plan: LinePlan, day: date) -> int:
    """How many units of a plan's code its allowance lets out on a day."""
    if plan.allowance_units is None or plan.allowance_period is None or plan.allowance_at_once is None:
        raise ValueError("only a plan with an allowance has a limit")
    allowance = Allowance(date.min, plan.allowance_units, plan.allowance_period, plan.allowance_at_once)
    return quantity_limit(
        day,
        allowance=allowance,
        starts=plan.covered_starts,
        opens_on=plan.covered_from,
        billed_on=plan.billed_on,
        delivery_lead=plan.delivery_lead,
    )
