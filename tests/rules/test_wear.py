"""Worked examples of wear, lives, refits and contained parts, as tables; the last column says what it shows.

Every table runs twice: against the rules, and against the literal walk through the days.
"""

from dataclasses import replace
from datetime import date

import pytest

from resupply.rules.facts import (
    Loss,
    PatientFacts,
    Pause,
    Refit,
    Swap,
)
from resupply.rules.kinds import Kind
from tests.rules.build import (
    CUSHION,
    FILTER,
    FULL_FACE_CUSHION,
    HEADGEAR,
    MASK,
    PILLOWS,
    TUBING,
    Engine,
    by_rules,
    gave,
    line,
    months,
    on,
    own_life,
    shipped_policy,
    shown,
    weeks,
)

POLICY = shipped_policy()  # shipped lives: mask 3 months, cushion 1 month, headgear 6 months
FIRST_OF_JANUARY = (gave(3, CUSHION, "2026-01-01"),)
KIT = gave(1, MASK, "2026-01-01", family="Arc", contains=(CUSHION, HEADGEAR))
CUSHIONS = gave(2, CUSHION, "2026-01-01", family="Arc")

MORE_WEAR = [
    (
        PatientFacts(deliveries=FIRST_OF_JANUARY, swaps=(Swap(on("2026-02-15"), Kind.CUSHION),)),
        "2026-02-20",
        Kind.CUSHION,
        ("2026-02-15", "2026-03-15", 1, "2026-04-15"),
        "fourteen days after an assumed swap a report still corrects it",
    ),
    (
        PatientFacts(deliveries=FIRST_OF_JANUARY, swaps=(Swap(on("2026-02-16"), Kind.CUSHION),)),
        "2026-02-20",
        Kind.CUSHION,
        ("2026-02-16", "2026-03-16", 0, "2026-03-16"),
        "fifteen days after it the report is another swap",
    ),
    (
        PatientFacts(
            deliveries=FIRST_OF_JANUARY,
            swaps=(Swap(on("2026-02-01"), Kind.CUSHION), Swap(on("2026-02-05"), Kind.CUSHION)),
        ),
        "2026-02-20",
        Kind.CUSHION,
        ("2026-02-05", "2026-03-05", 0, "2026-03-05"),
        "a swap reported on the worn date is no assumption, so the next report is another swap",
    ),
    (
        PatientFacts(
            deliveries=FIRST_OF_JANUARY,
            swaps=(Swap(on("2026-02-03"), Kind.CUSHION), Swap(on("2026-02-05"), Kind.CUSHION)),
        ),
        "2026-02-20",
        Kind.CUSHION,
        ("2026-02-05", "2026-03-05", 0, "2026-03-05"),
        "a corrected start is no longer an assumption",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),), swaps=(Swap(on("2026-01-20"), Kind.CUSHION),)
        ),
        "2026-01-25",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 0, "2026-02-01"),
        "a reported swap without a spare changes nothing",
    ),
    (
        PatientFacts(
            deliveries=(gave(2, CUSHION, "2026-01-01"),), swaps=(Swap(on("2026-01-01"), Kind.CUSHION),)
        ),
        "2026-01-02",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 1, "2026-03-01"),
        "one unit starts a day at most",
    ),
    (
        PatientFacts(
            deliveries=(gave(2, CUSHION, "2026-01-01"),),
            losses=(Loss(on("2026-01-10"), Kind.CUSHION), Loss(on("2026-01-10"), Kind.CUSHION)),
        ),
        "2026-01-10",
        Kind.CUSHION,
        ("2026-01-10", "2026-02-10", 0, "2026-02-10"),
        "the next spare starts the day the unit in use is lost; a second loss that day finds nothing in use",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"), gave(1, CUSHION, "2026-01-10")),
            losses=(Loss(on("2026-01-10"), Kind.CUSHION),),
        ),
        "2026-01-10",
        Kind.CUSHION,
        ("2026-01-10", "2026-02-10", 0, "2026-02-10"),
        "a delivery joins the spares before the loss of that day is looked at",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),),
            pauses=(Pause(on("2026-01-10"), on("2026-01-20")), Pause(on("2026-01-15"), on("2026-01-25"))),
        ),
        "2026-01-30",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-16", 0, "2026-02-16"),
        "a day in two pauses is paused once",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-01-10"), on("2026-01-24")),)
        ),
        "2026-01-12",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-15", 0, "2026-02-15"),
        "a pause whose end lies ahead counts up to that end",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),), pauses=(Pause(on("2026-01-10"), on("2026-01-24")),)
        ),
        "2026-01-09",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 0, "2026-02-01"),
        "a pause that has not begun is a fact dated later and is ignored",
    ),
    (
        PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"), gave(5, CUSHION, "2026-01-06"))),
        "2026-01-05",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 0, "2026-02-01"),
        "a delivery dated later is ignored",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),),
            own_lives=own_life(CUSHION, ("2026-01-10", weeks(1)), ("2026-01-12", months(2))),
        ),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-01-10", 0, "2026-01-10"),
        "worn stays worn, whatever later versions say",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-01"),),
            own_lives=own_life(CUSHION, ("2025-01-01", months(2)), ("2026-01-10", None)),
        ),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 0, "2026-02-01"),
        "an override taken back leaves the policy in force",
    ),
    (
        PatientFacts(deliveries=(KIT, CUSHIONS)),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 2, "2026-04-01"),
        "a contained cushion is in use from the mask's start, and the spares stay spares",
    ),
    (
        PatientFacts(deliveries=(KIT,)),
        "2026-01-15",
        Kind.HEADGEAR,
        ("2026-01-01", "2026-07-01", 0, "2026-07-01"),
        "contained headgear starts a line of its own",
    ),
    (
        PatientFacts(deliveries=(replace(KIT, quantity=2), CUSHIONS)),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 2, "2026-04-01"),
        "the cushion of a spare mask is not counted before that mask starts",
    ),
    (
        PatientFacts(deliveries=(replace(KIT, quantity=2), gave(9, CUSHION, "2026-01-01", family="Arc"))),
        "2026-04-10",
        Kind.CUSHION,
        ("2026-04-01", "2026-05-01", 7, "2026-12-01"),
        "the spare mask's cushion ends the one in use on the mask's start; the line's spares stay",
    ),
    (
        PatientFacts(deliveries=(replace(KIT, quantity=2),), swaps=(Swap(on("2026-04-05"), Kind.MASK),)),
        "2026-04-10",
        Kind.CUSHION,
        ("2026-04-05", "2026-05-05", 0, "2026-05-05"),
        "contained parts start on the corrected start of their mask",
    ),
    (
        PatientFacts(deliveries=(KIT, CUSHIONS), losses=(Loss(on("2026-01-10"), Kind.MASK),)),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 2, "2026-04-01"),
        "losing a mask loses the mask alone",
    ),
    (
        PatientFacts(deliveries=(KIT, CUSHIONS), refits=(Refit(on("2026-01-10"), "Bow"),)),
        "2026-01-15",
        Kind.CUSHION,
        (None, None, 0, "2026-01-10"),
        "a refit ends units of another family, in use and spare",
    ),
    (
        PatientFacts(deliveries=(KIT, CUSHIONS), refits=(Refit(on("2026-01-10"), "Arc"),)),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-01", "2026-02-01", 2, "2026-04-01"),
        "a refit to the same family ends nothing",
    ),
    (
        PatientFacts(
            deliveries=(gave(2, CUSHION, "2026-01-01"), gave(1, CUSHION, "2026-01-10")),
            refits=(Refit(on("2026-01-10"), "Bow"),),
        ),
        "2026-01-15",
        Kind.CUSHION,
        ("2026-01-10", "2026-02-10", 0, "2026-02-10"),
        "units of no stated family end too, but not those delivered that very day",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, CUSHION, "2026-01-10"),),
            refits=(Refit(on("2026-01-10"), "Bow"), Refit(on("2026-01-20"), "Bow")),
        ),
        "2026-01-25",
        Kind.CUSHION,
        ("2026-01-10", "2026-02-10", 0, "2026-02-10"),
        "a unit that counted as the new family stays with it at the next refit",
    ),
    (
        PatientFacts(
            deliveries=(gave(1, MASK, "2026-01-10", contains=(CUSHION,)),),
            refits=(Refit(on("2026-01-10"), "Bow"), Refit(on("2026-01-20"), "Bow")),
        ),
        "2026-01-25",
        Kind.CUSHION,
        ("2026-01-10", "2026-02-10", 0, "2026-02-10"),
        "so do the parts contained in such a mask",
    ),
    (
        PatientFacts(deliveries=(gave(1, TUBING, "2026-01-01"),), refits=(Refit(on("2026-01-10"), "Bow"),)),
        "2026-01-15",
        Kind.TUBING,
        ("2026-01-01", "2026-04-01", 0, "2026-04-01"),
        "tubing, filters, chamber and chin strap outlive a refit",
    ),
    (
        PatientFacts(
            deliveries=(gave(2, CUSHION, "2026-01-01", first_use="2026-01-08"),),
            swaps=(Swap(on("2026-01-04"), Kind.CUSHION),),
        ),
        "2026-01-05",
        Kind.CUSHION,
        ("2026-01-04", "2026-02-04", 1, "2026-03-04"),
        "a reported swap starts the first unit before its stated day",
    ),
]


@pytest.mark.parametrize(("facts", "as_of", "kind", "expected", "sentence"), MORE_WEAR)
def test_more_wear(
    engine: Engine,
    facts: PatientFacts,
    as_of: str,
    kind: Kind,
    expected: tuple[str | None, str | None, int, str],
    sentence: str,
) -> None:
    assert shown(line(engine(facts, POLICY, on(as_of)), kind)) == expected, sentence


def test_units_of_several_codes_in_one_line_have_the_life_of_their_own_code(engine: Engine) -> None:
    facts = PatientFacts(
        deliveries=(gave(1, CUSHION, "2026-01-01"), gave(1, FULL_FACE_CUSHION, "2026-01-02"))
    )
    policy = shipped_policy(clinic_lives=own_life(FULL_FACE_CUSHION, ("2000-01-01", weeks(2))))
    (row,) = engine(facts, policy, on("2026-01-05"))
    assert shown(row) == ("2026-01-01", "2026-02-01", 1, "2026-02-15")
    assert row.part_code == FULL_FACE_CUSHION, "a line is refilled with the code of its latest dispense"


def test_strongest_life_first(engine: Engine) -> None:
    facts = PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"),))
    clinic = shipped_policy(clinic_lives=own_life(CUSHION, ("2000-01-01", weeks(3))))
    own = replace(facts, own_lives=own_life(CUSHION, ("2000-01-01", weeks(2))))
    ends = [
        engine(f, p, on("2026-01-02"))[0].worn_on
        for f, p in [(facts, POLICY), (facts, clinic), (own, clinic)]
    ]
    assert ends == [on("2026-02-01"), on("2026-01-22"), on("2026-01-15")]


def test_of_several_contained_parts_of_a_kind_the_last_listed_stays_and_gives_the_code(
    engine: Engine,
) -> None:
    kit = gave(1, MASK, "2026-01-01", contains=(CUSHION, PILLOWS))
    policy = shipped_policy(clinic_lives=own_life(PILLOWS, ("2000-01-01", weeks(2))))
    row = line(engine(PatientFacts(deliveries=(kit,)), policy, on("2026-01-02")), Kind.CUSHION)
    assert (row.part_code, row.worn_on, row.spares) == (PILLOWS, on("2026-01-15"), 0)


def test_own_dispense_gives_the_code_even_where_a_contained_part_came_later(engine: Engine) -> None:
    kit = gave(1, MASK, "2026-02-01", contains=(CUSHION,))
    facts = PatientFacts(deliveries=(gave(1, PILLOWS, "2026-01-01"), kit))
    assert line(engine(facts, POLICY, on("2026-02-02")), Kind.CUSHION).part_code == PILLOWS


def test_lines_are_those_that_ever_had_a_unit_in_order_of_kind(engine: Engine) -> None:
    deliveries = (
        gave(1, TUBING, "2026-01-01"),
        gave(1, FILTER, "2026-01-01"),
        KIT,
        gave(1, "A7046", "2026-02-01"),
    )
    rows = engine(PatientFacts(deliveries=deliveries), POLICY, on("2026-01-15"))
    assert [row.kind.value for row in rows] == ["cushion", "filter_disposable", "headgear", "mask", "tubing"]
    assert engine(PatientFacts(deliveries=deliveries), POLICY, on("2025-12-31")) == []


def test_nothing_overflows_at_the_ends_of_the_calendar() -> None:
    """Dates saturate: a typing error in a year must show as a far date, not as a failed page."""
    facts = PatientFacts(
        deliveries=(
            gave(1, CUSHION, "0001-01-01"),
            gave(2, CUSHION, "2026-01-01", first_use="9999-12-31"),
            gave(1, MASK, "9999-12-20", contains=(HEADGEAR,)),
        ),
        pauses=(Pause(on("9999-12-25"), date.max),),
    )
    seen = {
        day: by_rules(facts, POLICY, day) for day in (date.min, on("2026-01-02"), on("9999-12-21"), date.max)
    }
    assert [row.ask_from for row in seen[date.min]] == [on("0001-01-08")]
    assert [row.supply_ends_on for row in seen[on("2026-01-02")]] == [date.max]
    assert [row.supply_ends_on for row in seen[on("9999-12-21")]] == [date.max] * 3
    assert [row.state for row in seen[date.max]] == ["due"] * 3
