"""What may be dispensed of one code on one day: from when, and how many.

For the code a line is refilled with, this is what the line's plan says. Another code of the same kind has
coverage of its own: its own allowance, covered starts and units at once count, while the supply is the
line's. A code of a kind the patient never had may be dispensed at once, within its allowance.

Edge cases: no allowance on file, or a patient who pays: no published limit, but still a first day. Source:
as in `refills`; the reading for another code of the line is ours.
"""

from dataclasses import dataclass
from datetime import date

from resupply.rules import lines
from resupply.rules.coverage import covered_from, covered_starts
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.lines import Terms, billed_days, plan_lines
from resupply.rules.periods import add_days
from resupply.rules.refills import quantity_limit, rule_for
from resupply.rules.versions import in_force


@dataclass(frozen=True, slots=True)
class Limit:
    """`deliver_from` None: nothing stands against any day. `quantity` None: no published limit."""

    deliver_from: date | None
    quantity: int | None


def limit_of(code: str, facts: PatientFacts, policy: Policy, *, as_of: date) -> Limit:
    """The limit of a code on a day. Raises KeyError for a code that is no part type."""
    kind = policy.kinds[code]
    line = next((plan for plan in plan_lines(facts, policy, as_of=as_of) if plan.kind == kind), None)
    if line is not None and line.code == code:
        return Limit(line.deliver_from, lines.limit_of(line, as_of=as_of))
    return _of_another(code, line.supply_ends_on if line is not None else None, facts, policy, as_of)


def _of_another(
    code: str, supply_ends_on: date | None, facts: PatientFacts, policy: Policy, as_of: date
) -> Limit:
    """The limit of a code that the line, if there is one, is not refilled with."""
    terms = Terms.of(facts, policy, as_of=as_of)
    allowance = in_force(terms.allowances.get(code, ()), as_of) if terms.payer else None
    billed = billed_days(facts, code, terms.payer, as_of=as_of) if allowance else []
    starts = covered_starts(billed, allowance) if allowance else []
    opens_on = covered_from(starts, allowance) if allowance else None
    refill_on = max((day for day in (supply_ends_on, opens_on) if day is not None), default=None)
    lead = rule_for(terms.rules, refill_on or as_of).delivery_lead
    deliver_from = add_days(refill_on, -lead) if refill_on is not None else None
    if allowance is None:
        return Limit(deliver_from, None)
    if deliver_from is not None and as_of < deliver_from:
        return Limit(deliver_from, 0)
    quantity = quantity_limit(
        as_of, allowance=allowance, starts=starts, opens_on=opens_on, billed_on=billed, delivery_lead=lead
    )
    return Limit(deliver_from, quantity)
