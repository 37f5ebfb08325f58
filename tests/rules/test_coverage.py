"""Worked examples of coverage, as tables; the last column says what the row shows.

Every table runs twice: against the rules, and against the literal walk through the days.
"""

from dataclasses import replace
from datetime import date

import pytest

from resupply.rules import coverage
from resupply.rules.facts import (
    Allowance,
    CoverageSpan,
    Delivery,
    PatientFacts,
    PayerTerms,
)
from tests.rules import simulation
from tests.rules.build import (
    CUSHION,
    MASK,
    ORAL_MASK,
    PAYER,
    Engine,
    gave,
    insured,
    months,
    on,
    published_payer,
    shipped_policy,
)

POLICY = shipped_policy()

TWO_A_MONTH = Allowance(date.min, 2, months(1), 3)
ONE_A_QUARTER = Allowance(date.min, 1, months(3), 1)

COVERAGE = [
    (
        [(6, "2026-01-01")],
        TWO_A_MONTH,
        ["2026-01-01", "2026-01-01", "2026-02-01", "2026-02-01", "2026-03-01", "2026-03-01"],
        "2026-04-01",
        "units queue for the months they are paid for",
    ),
    (
        [(1, "2026-01-01")],
        TWO_A_MONTH,
        ["2026-01-01"],
        "2026-01-01",
        "one of two used: the next is covered at once",
    ),
    (
        [(1, "2026-01-01"), (2, "2026-01-20")],
        TWO_A_MONTH,
        ["2026-01-01", "2026-01-20", "2026-02-01"],
        "2026-02-20",
        "each place opens again one period after its own covered start",
    ),
    (
        [(1, "2025-11-30")],
        ONE_A_QUARTER,
        ["2025-11-30"],
        "2026-02-28",
        "a period is clamped to a month's last day",
    ),
]


@pytest.mark.parametrize(("billed", "allowance", "starts", "covered_from", "sentence"), COVERAGE)
def test_coverage(
    engine: Engine,
    billed: list[tuple[int, str]],
    allowance: Allowance,
    starts: list[str],
    covered_from: str,
    sentence: str,
) -> None:
    delivered = [on(day) for quantity, day in billed for _ in range(quantity)]
    assert [d.isoformat() for d in coverage.covered_starts(delivered, allowance)] == starts, sentence
    assert [d.isoformat() for d in simulation.covered_starts(delivered, allowance)] == starts, sentence

    facts = PatientFacts(
        deliveries=tuple(gave(n, CUSHION, day, billed_to=PAYER) for n, day in billed), coverage=insured()
    )
    policy = shipped_policy(payers={PAYER: published_payer(**{CUSHION: allowance})})
    (row,) = engine(facts, policy, delivered[-1])
    assert row.covered_from == on(covered_from), sentence


def billed_cushion(**over: object) -> Delivery:
    return replace(gave(2, CUSHION, "2026-01-01", billed_to=PAYER), **over)  # type: ignore[arg-type]


NO_COVERAGE_DATE = [
    (PatientFacts(deliveries=(billed_cushion(),)), None, "the patient pays"),
    (
        PatientFacts(deliveries=(billed_cushion(),), coverage=insured(payer="")),
        None,
        "a span with no payer: the patient pays",
    ),
    (
        PatientFacts(deliveries=(billed_cushion(billed_to=""),), coverage=insured()),
        0,
        "nothing was ever billed under the code",
    ),
    (
        PatientFacts(deliveries=(billed_cushion(billed_to="Payer Two"),), coverage=insured()),
        0,
        "only units billed to the present payer count",
    ),
    (
        PatientFacts(deliveries=(gave(1, ORAL_MASK, "2026-01-01", billed_to=PAYER),), coverage=insured()),
        None,
        "no allowance on file means no published limit, never 0 and never unlimited",
    ),
    (
        PatientFacts(deliveries=(billed_cushion(),), coverage=insured(payer="Payer Unheard Of")),
        None,
        "a payer nothing is known of has no limit on file",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, MASK, "2026-01-01", contains=(CUSHION,), billed_to=PAYER),),
            coverage=insured(),
        ),
        0,
        "a contained part is covered by the mask's code, not by its own",
    ),
]


@pytest.mark.parametrize(("facts", "limit", "sentence"), NO_COVERAGE_DATE)
def test_no_coverage_date(engine: Engine, facts: PatientFacts, limit: int | None, sentence: str) -> None:
    row = engine(facts, POLICY, on("2026-01-02"))[0]
    assert (row.covered_from, row.quantity_limit) == (None, limit), sentence
    assert row.refill_on == row.supply_ends_on, sentence


def test_the_present_payer_and_the_allowance_version_in_force_count(engine: Engine) -> None:
    spans = (CoverageSpan(on("2025-01-01"), PAYER), CoverageSpan(on("2026-02-01"), "Payer Two"))
    versions = (Allowance(on("2000-01-01"), 1, months(1), 3), Allowance(on("2026-01-20"), 2, months(6), 1))
    policy = shipped_policy(payers={PAYER: PayerTerms({CUSHION: versions}), "Payer Two": published_payer()})
    facts = PatientFacts(deliveries=(billed_cushion(),), coverage=spans)
    seen = [
        engine(facts, policy, on(day))[0].covered_from for day in ("2026-01-19", "2026-01-20", "2026-02-01")
    ]
    assert seen == [on("2026-03-01"), on("2026-07-01"), None]
