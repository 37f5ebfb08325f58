"""Worked examples of periods and wear, as tables; the last column says what the row shows.

Every table runs twice: against the rules, and against the literal walk through the days.
The table of wear is the definition's own; its clauses without a row there are in `test_wear.py`.
"""

import pytest

from resupply.rules.facts import (
    Loss,
    PatientFacts,
    Pause,
    Policy,
    Swap,
)
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, add
from tests.rules import simulation
from tests.rules.build import (
    CUSHION,
    HEADGEAR,
    MASK,
    Engine,
    days,
    gave,
    months,
    on,
    own_life,
    shipped_policy,
    shown,
    weeks,
)

PERIODS = [
    ("2026-01-31", months(1), 1, "2026-02-28", "a month step is clamped to the month's last day"),
    (
        "2026-01-31",
        months(1),
        2,
        "2026-03-31",
        "the second step is counted from the start, not from the clamped day",
    ),
    ("2024-02-29", months(12), 1, "2025-02-28", "a leap day's anniversary is the last of February"),
    ("2026-01-31", weeks(1), 2, "2026-02-14", "weeks are seven days"),
    ("2026-01-31", days(1), 0, "2026-01-31", "no step is the start itself"),
]


@pytest.mark.parametrize(("start", "period", "times", "expected", "sentence"), PERIODS)
def test_periods(start: str, period: Period, times: int, expected: str, sentence: str) -> None:
    assert add(on(start), period, times) == on(expected), sentence
    assert simulation.plus(on(start), period, times) == on(expected), sentence


POLICY = shipped_policy()  # shipped lives: mask 3 months, cushion 1 month, headgear 6 months
THREE = (gave(3, CUSHION, "2026-01-31"),)
FIRST_OF_JANUARY = (gave(3, CUSHION, "2026-01-01"),)

WEAR = [
    (
        PatientFacts(deliveries=(gave(1, MASK, "2026-01-31"),)),
        POLICY,
        "2026-02-01",
        ("2026-01-31", "2026-04-30", 0, "2026-04-30"),
        "one unit is worn its life after the day it came",
    ),
    (
        PatientFacts(deliveries=THREE),
        POLICY,
        "2026-02-01",
        ("2026-01-31", "2026-02-28", 2, "2026-04-28"),
        "spares start when the one before is worn, each from its own start",
    ),
    (
        PatientFacts(deliveries=THREE),
        POLICY,
        "2026-03-01",
        ("2026-02-28", "2026-03-28", 1, "2026-04-28"),
        "a swap nobody reported is assumed on the worn date",
    ),
    (
        PatientFacts(deliveries=FIRST_OF_JANUARY, swaps=(Swap(on("2026-01-20"), Kind.CUSHION),)),
        POLICY,
        "2026-01-25",
        ("2026-01-20", "2026-02-20", 1, "2026-03-20"),
        "a reported swap uses up a spare early",
    ),
    (
        PatientFacts(deliveries=FIRST_OF_JANUARY, swaps=(Swap(on("2026-02-03"), Kind.CUSHION),)),
        POLICY,
        "2026-02-05",
        ("2026-02-03", "2026-03-03", 1, "2026-04-03"),
        "a report two days after an assumed swap corrects its day and uses up nothing",
    ),
    (
        PatientFacts(
            deliveries=(
                gave(1, CUSHION, "2026-01-01"),
                gave(2, CUSHION, "2026-01-15", first_use="2026-02-10"),
            ),
            swaps=(Swap(on("2026-01-20"), Kind.CUSHION),),
        ),
        POLICY,
        "2026-01-21",
        ("2026-01-20", "2026-02-20", 1, "2026-03-20"),
        "a reported swap starts the next spare, ready or not",
    ),
    (
        PatientFacts(
            deliveries=(gave(2, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-01-10"), on("2026-01-24")),)
        ),
        POLICY,
        "2026-01-25",
        ("2026-01-01", "2026-02-15", 1, "2026-03-15"),
        "days of a pause do not wear the unit in use",
    ),
    (
        PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"), gave(1, CUSHION, "2026-03-15"))),
        POLICY,
        "2026-03-16",
        ("2026-03-15", "2026-04-15", 0, "2026-04-15"),
        "with no spare the worn unit stays in use until the next delivery",
    ),
    (
        PatientFacts(deliveries=(gave(1, MASK, "2026-01-05"),)),
        shipped_policy(clinic_lives=own_life(MASK, ("2026-03-10", months(2)))),
        "2026-03-01",
        ("2026-01-05", "2026-03-10", 0, "2026-03-10"),
        "a shorter life acts from its day on, also on the unit in use, and not before",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, HEADGEAR, "2026-01-05"),), losses=(Loss(on("2026-02-01"), Kind.HEADGEAR),)
        ),
        POLICY,
        "2026-02-03",
        (None, None, 0, "2026-02-01"),
        "where nothing is left, supply ended the day the last unit left",
    ),
    (
        PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-01-10")),)),
        POLICY,
        "2026-01-20",
        ("2026-01-01", "2026-02-11", 0, "2026-02-11"),
        "an open pause counts up to the day asked about",
    ),
    (
        PatientFacts(deliveries=(gave(2, CUSHION, "2026-01-01", first_use="2026-01-08"),)),
        POLICY,
        "2026-01-03",
        (None, None, 2, "2026-03-08"),
        "a stated first use holds back the whole queue, even with nothing in use",
    ),
]


@pytest.mark.parametrize(("facts", "policy", "as_of", "expected", "sentence"), WEAR)
def test_wear(
    engine: Engine,
    facts: PatientFacts,
    policy: Policy,
    as_of: str,
    expected: tuple[str | None, str | None, int, str],
    sentence: str,
) -> None:
    (row,) = engine(facts, policy, on(as_of))
    assert shown(row) == expected, sentence
