"""Worked examples of refills, quantities and states, as tables; the last column says what the row shows.

Every table runs twice: against the rules, and against the literal walk through the days.
"""

from dataclasses import asdict, replace

import pytest

from resupply.rules.explain import explain_lines
from resupply.rules.facts import (
    Allowance,
    ClinicTerms,
    PatientFacts,
    Pause,
    RefillRule,
)
from resupply.rules.kinds import Kind
from resupply.rules.lines import State, plan_lines, read
from tests.rules.build import (
    COMBINATION_PILLOWS,
    CUSHION,
    FULL_FACE,
    FULL_FACE_CUSHION,
    HEADGEAR,
    MASK,
    PAYER,
    Engine,
    gave,
    insured,
    months,
    on,
    own_life,
    published_payer,
    shipped_policy,
    text,
    weeks,
)
from tests.rules.recompute import recompute

POLICY = shipped_policy()

SUPPLY_USED_UP = PatientFacts(
    deliveries=(gave(6, CUSHION, "2026-01-01", billed_to=PAYER),),
    coverage=insured(),
    own_lives=own_life(CUSHION, ("2000-01-01", weeks(1))),
)
PAYER_EXAMPLE = PatientFacts(
    deliveries=(gave(2, COMBINATION_PILLOWS, "2024-04-01", billed_to=PAYER),), coverage=insured()
)

LIMITS = [
    (SUPPLY_USED_UP, "2026-03-21", 0, "a day before the earliest delivery nothing may go out"),
    (SUPPLY_USED_UP, "2026-03-22", 6, "from then on a three-month quantity may, though coverage opens later"),
    (PAYER_EXAMPLE, "2024-05-21", 0, "before the earliest delivery nothing"),
    (
        PAYER_EXAMPLE,
        "2024-05-22",
        4,
        # Worked example of a commercial payer's reimbursement policy for PAP supplies of 2024-04-01 (read).
        "two units on 2024-04-01 at two a month leave four of a three-month quantity",
    ),
    (
        PAYER_EXAMPLE,
        "2024-06-20",
        4,
        "the two still count while their three months reach past the delivery lead",
    ),
    (PAYER_EXAMPLE, "2024-06-21", 6, "then a full three-month quantity"),
]


@pytest.mark.parametrize(("facts", "as_of", "limit", "sentence"), LIMITS)
def test_quantity_limit(engine: Engine, facts: PatientFacts, as_of: str, limit: int, sentence: str) -> None:
    assert engine(facts, POLICY, on(as_of))[0].quantity_limit == limit, sentence


MONTH_BY_MONTH = shipped_policy(
    payers={PAYER: published_payer(A7032=Allowance(on("2000-01-01"), 2, months(1), 1))}
)
"""A payer who allows two cushions a month, one month's worth at once."""

ONE_AHEAD = replace(SUPPLY_USED_UP, deliveries=(gave(3, CUSHION, "2026-01-01", billed_to=PAYER),))
TWO_STEPS = replace(
    SUPPLY_USED_UP,
    deliveries=(
        gave(1, CUSHION, "2025-12-25", billed_to=PAYER),
        gave(2, CUSHION, "2026-01-01", billed_to=PAYER),
    ),
)
BEYOND = [
    (ONE_AHEAD, "2026-01-22", 1, "given one too many: it is February's, so ten days ahead one more may go"),
    (ONE_AHEAD, "2026-02-01", 1, "and on the day coverage opens it is one as well"),
    (ONE_AHEAD, "2026-03-01", 2, "in March it is two again: the month ends where the next unit would start"),
    (TWO_STEPS, "2026-01-22", 2, "the month counts from where coverage opens, not from the day it is given"),
]


@pytest.mark.parametrize(("facts", "as_of", "limit", "sentence"), BEYOND)
def test_more_than_allowed_was_given(
    engine: Engine, facts: PatientFacts, as_of: str, limit: int, sentence: str
) -> None:
    """So many more that all would be covered within the periods allowed at once, and no more (ours)."""
    assert engine(facts, MONTH_BY_MONTH, on(as_of))[0].quantity_limit == limit, sentence
    (explained,) = explain_lines(facts, MONTH_BY_MONTH, as_of=on(as_of)).values()
    again = recompute([asdict(step) for step in explained.steps], explained.values)
    assert again["quantity_limit"] == limit, sentence


REFILLS = [
    (
        PatientFacts(deliveries=(gave(3, CUSHION, "2026-01-01", billed_to=PAYER),), coverage=insured()),
        ("2026-04-01", "2026-03-02", "2026-03-22"),
        "supply ends after coverage opens: the refill follows the supply, by 30 and 10 days",
    ),
    (
        SUPPLY_USED_UP,
        ("2026-04-01", "2026-03-02", "2026-03-22"),
        "coverage opens after the supply ends: the refill follows the coverage",
    ),
    (
        PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"),)),
        ("2026-02-01", "2026-01-08", "2026-01-22"),
        "no question in the seven days after a delivery; a paying patient has the clinic's own 30 and 10",
    ),
    (
        PatientFacts(deliveries=(gave(1, MASK, "2026-01-01", contains=(CUSHION,)),)),
        ("2026-02-01", "2026-01-08", "2026-01-22"),
        "nor in the seven days after a contained part started",
    ),
    (
        PatientFacts(deliveries=(gave(1, CUSHION, "2023-12-01", billed_to=PAYER),), coverage=insured()),
        ("2024-01-01", "2023-12-08", "2023-12-22"),
        "a refill date in 2024 follows the 2024 rule",
    ),
    (
        PatientFacts(deliveries=(gave(2, CUSHION, "2023-10-31", billed_to=PAYER),), coverage=insured()),
        ("2023-12-30", "2023-12-06", "2023-12-20"),
        "a refill date before 2024 is planned with 24 and 10 days",
    ),
]


@pytest.mark.parametrize(("facts", "expected", "sentence"), REFILLS)
def test_refill_dates(
    engine: Engine, facts: PatientFacts, expected: tuple[str, str, str], sentence: str
) -> None:
    row = engine(facts, POLICY, facts.deliveries[0].on)[0]
    assert (text(row.refill_on), text(row.ask_from), text(row.deliver_from)) == expected, sentence


def test_the_clinics_own_leads_gap_and_target(engine: Engine) -> None:
    policy = shipped_policy(
        clinic_refill_rules=(RefillRule(on("2020-01-01"), 20, 5), RefillRule(on("2026-02-01"), 15, 3)),
        clinic_terms=(
            ClinicTerms(on("2020-01-01"), 20, months(2)),
            ClinicTerms(on("2026-01-15"), 2, weeks(1)),
        ),
    )
    facts = PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"),))
    early = engine(facts, policy, on("2026-01-14"))[0]
    late = engine(facts, policy, on("2026-01-29"))[0]
    assert (early.ask_from, early.deliver_from) == (on("2026-01-21"), on("2026-01-29")), (
        "the rule on the refill date"
    )
    assert (late.ask_from, late.quantity_suggested) == (on("2026-01-17"), 1), (
        "the terms on the day asked about"
    )
    facts = PatientFacts(deliveries=(gave(1, CUSHION, "2019-01-01"),))
    row = engine(facts, policy, on("2019-01-02"))[0]
    assert row.deliver_from == on("2019-01-27"), "before the first version of a rule, the first"


SUGGESTIONS = [
    (1, CUSHION, "2026-01-01", "2026-01-21", (0, 0), "nothing before the earliest delivery"),
    (1, CUSHION, "2026-01-01", "2026-01-22", (5, 3), "three lives of a month reach three months"),
    (1, MASK, "2026-01-01", "2026-04-01", (1, 1), "one life of three months does"),
    (1, HEADGEAR, "2026-01-01", "2026-07-01", (1, 1), "so does one of six months: never less than one"),
    (1, FULL_FACE_CUSHION, "2026-01-01", "2026-02-01", (2, 2), "no more than the payer's limit"),
]


@pytest.mark.parametrize(("quantity", "code", "day", "as_of", "expected", "sentence"), SUGGESTIONS)
def test_quantity_suggested(
    engine: Engine, quantity: int, code: str, day: str, as_of: str, expected: tuple[int, int], sentence: str
) -> None:
    billed = gave(quantity, code, day, billed_to=PAYER)
    row = engine(PatientFacts(deliveries=(billed,), coverage=insured()), POLICY, on(as_of))[0]
    assert (row.quantity_limit, row.quantity_suggested) == expected, sentence


STATES = [
    ("2026-02-28", "in_supply", None, "before the question"),
    ("2026-03-02", "ask", None, "from thirty days before the end"),
    ("2026-03-21", "ask", None, "until eleven days before it"),
    ("2026-03-22", "deliver", None, "from ten days before the end"),
    ("2026-03-31", "deliver", None, "until the day before it"),
    ("2026-04-01", "due", None, "on the day supply ends"),
    ("2026-04-02", "overdue", 1, "from the next day"),
    ("2026-05-01", "overdue", 30, "by the days since it ended"),
]


@pytest.mark.parametrize(("as_of", "state", "overdue", "sentence"), STATES)
def test_states(engine: Engine, as_of: str, state: str, overdue: int | None, sentence: str) -> None:
    facts = PatientFacts(deliveries=(gave(3, CUSHION, "2026-01-01"),))
    row = engine(facts, POLICY, on(as_of))[0]
    assert (row.state, row.days_overdue) == (state, overdue), sentence


def test_a_paused_line_shows_its_dates_and_quantities_all_the_same(engine: Engine) -> None:
    facts = PatientFacts(
        deliveries=(gave(1, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-03-01"), on("2026-03-10")),)
    )
    paused = engine(facts, POLICY, on("2026-03-09"))[0]
    after = engine(facts, POLICY, on("2026-03-10"))[0]
    assert (paused.state, paused.days_overdue, paused.quantity_suggested) == ("paused", None, 3)
    assert (after.state, after.days_overdue) == ("overdue", 37)
    assert paused.supply_ends_on == after.supply_ends_on == on("2026-02-01")


def test_a_supply_that_ended_is_overdue_though_coverage_opens_later(engine: Engine) -> None:
    row = engine(SUPPLY_USED_UP, POLICY, on("2026-03-01"))[0]
    assert (row.state, row.days_overdue, row.quantity_limit) == ("overdue", 17, 0)
    assert row.covered_from == on("2026-04-01")


def test_a_full_face_mask_and_a_nasal_mask_share_the_mask_line(engine: Engine) -> None:
    facts = PatientFacts(deliveries=(gave(1, MASK, "2026-01-01"), gave(1, FULL_FACE, "2026-02-01")))
    (row,) = engine(facts, POLICY, on("2026-02-02"))
    assert (row.kind, row.spares, row.supply_ends_on) == (Kind.MASK, 1, on("2026-07-01"))


WAITING = [
    (SUPPLY_USED_UP, "2026-02-01", False, "eleven days before supply ends nobody waits yet"),
    (SUPPLY_USED_UP, "2026-02-02", True, "ten days before it the line waits for coverage"),
    (SUPPLY_USED_UP, "2026-03-21", True, "until the day before a delivery may go out"),
    (SUPPLY_USED_UP, "2026-03-22", False, "from which on it waits no longer"),
    (replace(SUPPLY_USED_UP, coverage=()), "2026-02-02", False, "a paying patient waits for nobody"),
    (
        PatientFacts(deliveries=(gave(3, CUSHION, "2026-01-01", billed_to=PAYER),), coverage=insured()),
        "2026-03-21",
        False,
        "nor does a line whose coverage opens before its supply ends",
    ),
]


@pytest.mark.parametrize(("facts", "as_of", "waiting", "sentence"), WAITING)
def test_waiting_for_coverage(facts: PatientFacts, as_of: str, waiting: bool, sentence: str) -> None:
    """A mark beside the state: supply has ended or is ending, and only coverage holds the delivery back."""
    (plan,) = plan_lines(facts, POLICY, as_of=on(as_of))
    assert read(plan, as_of=on(as_of)).waiting_for_coverage is waiting, sentence


def test_a_planned_pause_ends_on_its_day() -> None:
    """A stored plan is read on later days: paused in [start, until)."""
    facts = PatientFacts(
        deliveries=(gave(1, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-01-10"), on("2026-01-24")),)
    )
    (plan,) = plan_lines(facts, POLICY, as_of=on("2026-01-20"))
    states = [read(plan, as_of=on(day)).state for day in ("2026-01-23", "2026-01-24")]
    assert [state is State.PAUSED for state in states] == [True, False]
