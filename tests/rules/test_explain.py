"""Every date and quantity follows from its explanation steps alone."""

from dataclasses import asdict
from datetime import date
from typing import Any

from hypothesis import given

from resupply.rules.explain import explain_lines
from resupply.rules.facts import Delivery, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, read
from resupply.rules.tables import shipped_kinds, shipped_lives
from tests.rules.recompute import recompute
from tests.rules.strategies import cases

DATES = (
    "in_use_since",
    "worn_on",
    "spares",
    "supply_ends_on",
    "covered_from",
    "refill_on",
    "ask_from",
    "deliver_from",
)


@given(cases())
def test_every_column_is_worked_out_again_from_the_steps_alone(
    case: tuple[PatientFacts, Policy, date],
) -> None:
    facts, policy, as_of = case
    explained = explain_lines(facts, policy, as_of=as_of)
    plans = plan_lines(facts, policy, as_of=as_of)
    assert list(explained) == [plan.kind for plan in plans]
    for plan in plans:
        status = read(plan, as_of=as_of)
        expected: dict[str, Any] = {name: getattr(plan, name) for name in DATES} | {
            "quantity_limit": status.quantity_limit,
            "quantity_suggested": status.quantity_suggested,
            "state": status.state.value,
            "days_overdue": status.days_overdue,
        }
        shown = {k: v.isoformat() if isinstance(v, date) else v for k, v in expected.items()}
        explanation = explained[plan.kind]
        assert recompute([asdict(step) for step in explanation.steps], explanation.values) == shown


@given(cases())
def test_a_part_of_the_explanation_stands_alone(case: tuple[PatientFacts, Policy, date]) -> None:
    facts, policy, as_of = case
    for explanation in explain_lines(facts, policy, as_of=as_of).values():
        whole = recompute([asdict(step) for step in explanation.steps], explanation.values)
        for name, step in explanation.values.items():
            part = [asdict(s) for s in explanation.leading_to(name)]
            assert recompute(part, {name: step}) == {name: whole[name]}


def test_facts_name_their_records_and_lives_their_versions() -> None:
    facts = PatientFacts(
        deliveries=(Delivery(date(2026, 1, 31), Kind.CUSHION, "A7032", 3, ref="dispense line 14"),)
    )
    policy = Policy(kinds=shipped_kinds(), default_lives=shipped_lives())
    (explanation,) = explain_lines(facts, policy, as_of=date(2026, 3, 1)).values()
    by_why = {step.why: step for step in explanation.leading_to("supply_ends_on")}
    assert by_why["ready_from"].source == "dispense line 14"
    assert by_why["life"].source == "shipped life of A7032"
    assert by_why["worn"].result == "2026-04-28"
