"""What may be dispensed of one code on one day: from when, how many, and how many are suggested.

For the code a line is refilled with, this is what the line's plan says. Another code of the same kind has
coverage of its own: its own allowance, covered starts and units at once count, while the supply is the
line's. A code of a kind the patient never had may be dispensed at once, within its allowance.

Edge cases: no allowance on file, or a patient who pays: no published limit, but still a first day. Source:
as in `refills`; the reading for another code of the line is ours.
"""

from dataclasses import dataclass, replace
from datetime import date

from resupply.rules import lines
from resupply.rules.facts import Delivery, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, plan_lines, read
from resupply.rules.periods import add_days


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
    days = [line.supply_ends_on] if line is not None else []
    if other.covered_from is not None:
        days.append(other.covered_from)
    deliver_from = add_days(max(days), -other.delivery_lead) if days else None
    quantity = lines.limit_of(replace(other, deliver_from=deliver_from or as_of), as_of=as_of)
    return Limit(code, kind, deliver_from, quantity, 0)


def limit_of_line(line: LinePlan, *, as_of: date) -> Limit:
    """The limit of a line's own code on a day."""
    status = read(line, as_of=as_of)
    return Limit(line.code, line.kind, line.deliver_from, status.quantity_limit, status.quantity_suggested)


def _as_if_refilled_with(code: str, kind: Kind, facts: PatientFacts, policy: Policy, as_of: date) -> LinePlan:
    """The line as its plan would read had its latest unit been of this code: only its coverage is meant."""
    unbilled = Delivery(on=as_of, kind=kind, code=code, quantity=1)
    supposed = replace(facts, deliveries=(*facts.deliveries, unbilled))
    return next(plan for plan in plan_lines(supposed, policy, as_of=as_of) if plan.kind == kind)
