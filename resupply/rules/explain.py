"""Explanations: every date and quantity of a line with the steps that led to it. Built only when asked for.

`steps.py` says how a step is written. Each of the columns of a plan has a step; working the steps out again
from their facts gives the same columns, which is what the tests do.
"""

from datetime import date

from resupply.rules.explain_refills import RefillInput, RefillSteps
from resupply.rules.explain_wear import WearSteps
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, Terms, plan_lines
from resupply.rules.pauses import sourced_spans
from resupply.rules.refills import rule_for
from resupply.rules.steps import Explanation, Notebook, Step
from resupply.rules.versions import in_force, life_on, life_schedule
from resupply.rules.wear import LineWear, walk

__all__ = ["Explanation", "Step", "explain_lines"]


def explain_lines(facts: PatientFacts, policy: Policy, *, as_of: date) -> dict[Kind, Explanation]:
    """The explanation of each of a patient's lines as of a day, by kind."""
    walked = {line.kind: line for line in walk(facts, policy, as_of=as_of)}
    terms = Terms.of(facts, policy, as_of=as_of)
    return {
        plan.kind: _explain(plan, walked, terms, facts, policy, as_of=as_of)
        for plan in plan_lines(facts, policy, as_of=as_of)
    }


def _explain(
    plan: LinePlan,
    walked: dict[Kind, LineWear],
    terms: Terms,
    facts: PatientFacts,
    policy: Policy,
    *,
    as_of: date,
) -> Explanation:
    notes = Notebook()
    paused = sourced_spans(facts.pauses, as_of=as_of)
    wear = WearSteps(notes, walked[plan.kind], walked.get(Kind.MASK), paused)
    refill = RefillSteps(notes, _refill_input(plan, terms, facts, policy, as_of=as_of), as_of=as_of)
    since, worn_on = wear.in_use_since(), wear.worn_on()
    spares = wear.spares(facts, as_of=as_of)
    ends = wear.supply_ends_on()
    covered = refill.covered_from()
    refill_on = refill.refill_on(ends, covered)
    ask = refill.ask_from(refill_on, wear.latest_arrival(facts, as_of=as_of))
    deliver = refill.deliver_from(refill_on)
    limit = refill.quantity_limit(covered, deliver)
    values = {
        "in_use_since": since,
        "worn_on": worn_on,
        "spares": spares,
        "supply_ends_on": ends,
        "covered_from": covered,
        "refill_on": refill_on,
        "ask_from": ask,
        "deliver_from": deliver,
        "quantity_limit": limit,
        "quantity_suggested": refill.quantity_suggested(refill_on, deliver, limit),
        "state": refill.state(ends, deliver, ask),
        "days_overdue": refill.days_overdue(ends),
    }
    return Explanation(tuple(notes.steps.values()), {name: known.ref[1:] for name, known in values.items()})


def _refill_input(
    plan: LinePlan, terms: Terms, facts: PatientFacts, policy: Policy, *, as_of: date
) -> RefillInput:
    allowance = in_force(terms.allowances.get(plan.code, ()), as_of) if terms.payer else None
    billed = sorted(
        (
            (delivery.on, delivery.ref)
            for delivery in facts.deliveries
            if delivery.code == plan.code and delivery.billed_to == terms.payer and delivery.on <= as_of
            for _ in range(delivery.quantity)
        ),
        key=lambda unit: unit[0],
    )
    schedule = life_schedule(plan.code, policy, facts.own_lives.get(plan.code, ()))
    life = life_on(schedule, max(as_of, plan.refill_on))
    return RefillInput(
        plan=plan,
        allowance=allowance,
        no_limit_why="no_published_limit" if terms.payer else "patient_pays",
        billed=billed if allowance else [],
        rule=rule_for(terms.rules, plan.refill_on),
        terms=terms.clinic,
        life=life.life,
        life_ref=life.ref,
    )
