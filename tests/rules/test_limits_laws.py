"""Limits on random histories: the line's own code as its plan says, any other as the literal walk finds."""

from datetime import date, timedelta

from hypothesis import given

from resupply.rules.facts import Allowance, PatientFacts, Policy
from resupply.rules.limits import Limit, limit_of
from resupply.rules.lines import plan_lines, read
from tests.rules import simulation
from tests.rules.strategies import CODES, cases


@given(cases())
def test_the_lines_own_code_is_what_its_plan_says(case: tuple[PatientFacts, Policy, date]) -> None:
    facts, policy, as_of = case
    for plan in plan_lines(facts, policy, as_of=as_of):
        limit = limit_of(plan.code, facts, policy, as_of=as_of)
        assert limit == Limit(plan.deliver_from, read(plan, as_of=as_of).quantity_limit)


@given(cases())
def test_another_code_is_as_the_literal_walk_of_coverage_finds(
    case: tuple[PatientFacts, Policy, date],
) -> None:
    facts, policy, as_of = case
    plans = {plan.kind: plan for plan in plan_lines(facts, policy, as_of=as_of)}
    for code, kind in CODES.items():
        plan = plans.get(kind)
        if plan is None or plan.code != code:
            ends = plan.supply_ends_on if plan else None
            assert limit_of(code, facts, policy, as_of=as_of) == literal(code, ends, facts, policy, as_of)


def literal(code: str, ends: date | None, facts: PatientFacts, policy: Policy, as_of: date) -> Limit:
    """First day and most units, day by day and quantity by quantity."""
    payer = simulation.payer_on(facts, as_of)
    allowance = allowance_of(policy, payer, code, as_of)
    given_days = [
        delivery.on
        for delivery in facts.deliveries
        if delivery.code == code and delivery.billed_to == payer and delivery.on <= as_of
        for _ in range(delivery.quantity)
    ]
    billed = sorted(given_days)
    starts = simulation.covered_starts(billed, allowance) if allowance else []
    opens = simulation.next_covered(starts, allowance, starts[-1]) if allowance and starts else None
    refill_on = max((day for day in (ends, opens) if day), default=None)
    lead = simulation.refill_rule(policy, payer, refill_on or as_of).delivery_lead
    first = refill_on - timedelta(days=lead) if refill_on else None
    if allowance is None:
        return Limit(first, None)
    if first and as_of < first:
        return Limit(first, 0)
    return Limit(first, simulation.limit(billed, allowance, opens, lead, as_of))


def allowance_of(policy: Policy, payer: str, code: str, day: date) -> Allowance | None:
    """The payer's allowance in force."""
    terms = policy.payers.get(payer) if payer else None
    return simulation.in_force(terms.allowances.get(code, ()), day) if terms else None
