"""Whole explanations, step by step, as they are written down in `explanations.txt`.

Screens and the exported JSON rest on these words: the step's name, its reason code and its source. The dates
were checked by hand against the rules in words; the second example is the payer example of `test_refills.py`.
"""

from pathlib import Path

import pytest

from resupply.rules.explain import explain_lines
from resupply.rules.facts import (
    Allowance,
    LifeVersion,
    Loss,
    PatientFacts,
    Pause,
    PayerTerms,
    RefillRule,
    Refit,
    Swap,
)
from resupply.rules.kinds import Kind
from tests.rules.build import (
    COMBINATION_PILLOWS,
    CUSHION,
    FULL_FACE_CUSHION,
    MASK,
    PAYER,
    gave,
    insured,
    months,
    on,
    shipped_policy,
)

TERMS = PayerTerms(
    {
        code: (Allowance(on("2000-01-01"), 2, months(1), 3, ref=f"allowance of {code}"),)
        for code in (CUSHION, COMBINATION_PILLOWS)
    },
    (RefillRule(on("2000-01-01"), 30, 10, ref="refill rule"),),
)
POLICY = shipped_policy(payers={PAYER: TERMS})
PAUSED = PatientFacts(
    deliveries=(
        gave(2, CUSHION, "2026-01-01", billed_to=PAYER),
        gave(1, CUSHION, "2026-01-15", first_use="2026-03-10", billed_to=PAYER),
    ),
    coverage=insured(),
    pauses=(Pause(on("2026-01-10"), on("2026-01-24"), ref="pause"),),
)
OVERDUE = PatientFacts(
    deliveries=(gave(2, COMBINATION_PILLOWS, "2024-04-01", billed_to=PAYER),), coverage=insured()
)
EVENTFUL = PatientFacts(
    deliveries=(
        gave(2, MASK, "2026-01-01", family="Alder", contains=(CUSHION,)),
        gave(3, CUSHION, "2026-01-20", family="Alder"),
        gave(1, CUSHION, "2026-02-20", family="Birch"),
    ),
    swaps=(Swap(on("2026-02-05"), Kind.CUSHION, ref="swap"),),
    losses=(Loss(on("2026-02-10"), Kind.CUSHION, ref="loss"),),
    refits=(Refit(on("2026-02-20"), "Birch", ref="refit"),),
    pauses=(Pause(on("2026-03-01"), ref="open pause"),),
)
LOST = PatientFacts(
    deliveries=(gave(1, CUSHION, "2026-01-01"),),
    coverage=insured(),
    losses=(Loss(on("2026-01-20"), Kind.CUSHION, ref="loss"),),
)
REFITTED = PatientFacts(
    deliveries=(gave(2, FULL_FACE_CUSHION, "2026-01-01", family="Alder", billed_to=PAYER),),
    coverage=insured(),
    refits=(Refit(on("2026-01-15"), "Birch", ref="refit"),),
)
SHORTENED = PatientFacts(
    deliveries=(
        gave(1, CUSHION, "2026-01-01", billed_to=PAYER),
        gave(1, CUSHION, "2026-02-20", billed_to=PAYER),
    ),
    coverage=insured(),
    own_lives={
        CUSHION: (
            LifeVersion(on("2000-01-01"), months(3), ref="three months"),
            LifeVersion(on("2026-02-10"), months(1), ref="one month from 2026-02-10"),
        )
    },
)
CASES = {
    "a pause moves the days on which units are worn": (PAUSED, Kind.CUSHION, "2026-03-20"),
    "overdue, and four may go out": (OVERDUE, Kind.COMBINATION_PILLOWS, "2024-06-10"),
    "after a swap, a loss and a refit, in a pause": (EVENTFUL, Kind.CUSHION, "2026-03-10"),
    "the same as it stood the day after the swap": (EVENTFUL, Kind.CUSHION, "2026-02-06"),
    "the only unit was lost, and none was billed": (LOST, Kind.CUSHION, "2026-02-01"),
    "a refit ended all, of a code without a published limit": (REFITTED, Kind.CUSHION, "2026-02-01"),
    "a shorter life wears a unit out on its first day; a dispense today": (
        SHORTENED,
        Kind.CUSHION,
        "2026-02-20",
    ),
}
WRITTEN = {
    title.strip(): lines.strip().splitlines()
    for title, _, lines in (
        part.partition("\n")
        for part in Path(__file__).with_name("explanations.txt").read_text().split("## ")[1:]
    )
}


@pytest.mark.parametrize("title", CASES)
def test_an_explanation_reads_as_written(title: str) -> None:
    facts, kind, day = CASES[title]
    steps = explain_lines(facts, POLICY, as_of=on(day))[kind].steps
    lines = [
        f"{step.id}: {step.op}({', '.join(map(str, step.args))}) = {step.result} | {step.why} | {step.source}"
        for step in steps
    ]
    assert [line.rstrip(" |") for line in lines] == WRITTEN[title]


def test_nothing_is_written_that_is_not_tried() -> None:
    assert WRITTEN.keys() == CASES.keys()
