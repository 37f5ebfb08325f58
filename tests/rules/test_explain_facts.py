"""The steps of an explanation start from the record: what they take as facts stands there."""

from collections.abc import Iterator
from datetime import date

from hypothesis import given

from resupply.rules.explain import explain_lines
from resupply.rules.facts import PatientFacts, Policy
from tests.rules.build import CUSHION, gave, insured, on, published_payer, shipped_policy
from tests.rules.strategies import cases


@given(cases())
def test_days_taken_as_facts_are_days_of_the_record(case: tuple[PatientFacts, Policy, date]) -> None:
    """A worked-out day cannot be passed off as a fact."""
    facts, policy, as_of = case
    recorded = {day.isoformat() for day in (as_of, *days_of(facts, policy))}
    for explanation in explain_lines(facts, policy, as_of=as_of).values():
        for step in explanation.steps:
            given = [step.result] if step.op == "fact" else []
            given += [arg for arg in step.args if step.op != "count" and not str(arg).startswith("@")]
            for value in given:
                if isinstance(value, str) and value[:1].isdigit():
                    assert value in recorded, step


def days_of(facts: PatientFacts, policy: Policy) -> Iterator[date]:
    """Every day on record or laid down."""
    for delivery in facts.deliveries:
        yield delivery.on
        if delivery.first_use_on:
            yield delivery.first_use_on
    for happened in (*facts.swaps, *facts.losses, *facts.refits):
        yield happened.on
    for pause in facts.pauses:
        yield pause.start
        if pause.until:
            yield pause.until
    for lives in (policy.default_lives.values(),):
        yield from (version.effective_from for version in lives)
    for versions in (*policy.clinic_lives.values(), *facts.own_lives.values()):
        yield from (version.effective_from for version in versions)


def test_a_worked_example_reads_step_by_step() -> None:
    """Six at 2 per month: coverage opens after the third month, supply ends later, so supply decides."""
    facts = PatientFacts(
        deliveries=(gave(6, CUSHION, "2026-01-01", billed_to="Payer One"),), coverage=insured("2020-01-01")
    )
    policy = shipped_policy(payers={"Payer One": published_payer()})
    (explanation,) = explain_lines(facts, policy, as_of=on("2026-02-01")).values()
    steps = {step.id: step for step in explanation.steps}
    refill = steps[explanation.values["refill_on"]]
    assert refill.op == "latest"
    assert [steps[str(arg)[1:]].result for arg in refill.args] == ["2026-07-01", "2026-04-01"]
    assert refill.result == "2026-07-01"
    assert any("410.38" in step.source or "CMS" in step.source for step in explanation.leading_to("ask_from"))
