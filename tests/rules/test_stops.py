"""What stands against a part, as a table, against published check values, and as laws on random histories."""

import doctest
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import stops as rules_stops
from resupply.rules.facts import PatientFacts, PayerTerms, Policy, RefillRule, Refit
from resupply.rules.limits import limit_of, room_for
from resupply.rules.lines import plan_lines
from resupply.rules.magnets import Said, ScreenFacts
from resupply.rules.stops import LIFTABLE, Part, Stop, StopCode, Yes, family_worn, standing, stops
from tests.rules.build import (
    CUSHION,
    HEADGEAR,
    MASK,
    PAYER,
    PILLOWS,
    TUBING,
    gave,
    insured,
    on,
    own_life,
    shipped_policy,
)
from tests.rules.build import days as period
from tests.rules.strategies import CODES, FAMILIES, cases

POLICY = shipped_policy()
CLEAR = ScreenFacts(on("2026-01-01"), Said.NO, Said.NO)
ASPEN = PatientFacts(  # one cushion a month; six at two a month on New Year's Day end their supply on 1 July
    deliveries=(
        gave(1, MASK, "2026-01-01", family="Aspen", billed_to=PAYER),
        gave(6, CUSHION, "2026-01-01", family="Aspen", billed_to=PAYER),
    ),
    coverage=insured(),
)
YES = Yes(on("2026-06-10"), on("2026-06-10"), CUSHION)


def cushions(quantity: int = 1, **over: object) -> Part:
    values: dict[str, object] = {"code": CUSHION, "quantity": quantity, "magnetic": "no", "yes": YES}
    return Part(**(values | over))  # type: ignore[arg-type]


TABLE = [
    (cushions(6), "2026-06-21", True, "", "within the limits, on a yes: nothing"),
    (cushions(6, yes=None), "2026-06-21", False, "", "in person no recorded yes is needed"),
    (cushions(1), "2026-06-20", True, "too_early 2026-06-21", "ten days before the supply ends, not eleven"),
    (cushions(7), "2026-06-21", True, "too_many", "more than three months' worth on no day"),
    (cushions(7), "2026-06-20", True, "too_early 2026-06-21, too_many", "early and too many are two things"),
    (cushions(yes=None), "2026-06-21", True, "no_yes", "nothing ships without a yes"),
    (cushions(yes=replace(YES, code=PILLOWS)), "2026-06-21", True, "no_yes", "a yes to another code"),
    (cushions(3, yes=replace(YES, quantity=2)), "2026-06-21", True, "no_yes", "a yes to fewer"),
    (cushions(2, yes=replace(YES, quantity=2)), "2026-06-21", True, "", "a yes to as many"),
    (
        cushions(yes=replace(YES, recorded_on=on("2026-06-22"))),
        "2026-06-21",
        True,
        "recorded_late",
        "a yes put on record after the parcel left is a later attestation",
    ),
    (
        cushions(yes=replace(YES, asked_on=on("2026-06-22"))),
        "2026-06-21",
        True,
        "recorded_late",
        "a yes of the day after",
    ),
    (
        cushions(yes=replace(YES, asked_on=on("2026-05-31"))),
        "2026-06-21",
        True,
        "asked_too_early 2026-06-01",
        "31 days before the supply ends",
    ),
    (cushions(yes=replace(YES, asked_on=on("2026-06-01"))), "2026-06-21", True, "", "30 days before"),
    (cushions(expires_on=on("2026-06-20")), "2026-06-21", False, "expired", "expired the day before"),
    (cushions(expires_on=on("2026-06-21")), "2026-06-21", False, "", "expires that day"),
    (cushions(recalled=True), "2026-06-21", False, "recalled", "named by a recall"),
    (cushions(family="Birch"), "2026-06-21", False, "wrong_family", "a cushion of another family"),
    (cushions(family=" aspen"), "2026-06-21", False, "", "the same family, typed otherwise"),
    (Part(MASK, 1, "Birch", magnetic="no"), "2026-06-21", False, "wrong_family", "another mask is a refit"),
    (Part(TUBING, 1, "Birch"), "2026-06-21", False, "", "a tubing belongs to no mask family"),
    (Part(MASK, 2, "Aspen", magnetic="no"), "2026-06-21", False, "too_many", "two masks at one a quarter"),
]


@pytest.mark.parametrize(("part", "day", "shipped", "expected", "sentence"), TABLE)
def test_stops(part: Part, day: str, shipped: bool, expected: str, sentence: str) -> None:
    (row,) = stops([part], ASPEN, POLICY, on=on(day), screen=CLEAR, shipped=shipped)
    said = ", ".join(" ".join(filter(None, (s.code, s.yes_from and s.yes_from.isoformat()))) for s in row)
    assert said == expected, sentence


MAGNETIC = [
    (None, "no", CUSHION, False, "an item without magnets needs no screen"),
    (None, "unknown", CUSHION, True, "never asked: unknown magnets count as magnets"),
    (None, None, CUSHION, False, "a bare cushion code holds none"),
    (None, None, HEADGEAR, True, "a bare headgear code may"),
    (None, None, MASK, True, "and so may a mask"),
    (CLEAR, "yes", MASK, False, "cleared"),
    (replace(CLEAR, asked_on=on("2025-06-21")), "yes", MASK, True, "an answer a year old"),
    (replace(CLEAR, close_contact=Said.YES), "yes", MASK, True, "an implant of someone close"),
    (replace(CLEAR, wearer=Said.UNKNOWN), "yes", MASK, True, "not known"),
]


@pytest.mark.parametrize(("screen", "magnetic", "code", "stopped", "sentence"), MAGNETIC)
def test_magnets(
    screen: ScreenFacts | None, magnetic: str | None, code: str, stopped: bool, sentence: str
) -> None:
    (row,) = stops(
        [Part(code, 1, magnetic=magnetic)], PatientFacts(), POLICY, on=on("2026-06-21"), screen=screen
    )
    assert (Stop(StopCode.MAGNETS) in row) is stopped, sentence


PUBLISHED = [  # shipped on, supply ends on, asked on, stopped: facts derived from 42 CFR 410.38(d)(4) and the
    # supplier contractors' articles of 2012 and 2024; each supply is 90 cushions of a day before its end
    ("2024-03-22", "2024-04-01", "2024-03-01", "asked_too_early"),
    ("2024-03-22", "2024-04-01", "2024-03-02", ""),
    ("2024-03-21", "2024-04-01", "2024-03-02", "too_early"),
    ("2024-03-30", "2024-04-01", "2024-03-02", ""),  # 28 days later: the rule before 2024 would refuse
    ("2024-04-06", "2024-04-01", "2024-04-05", ""),  # late contact is fine
    ("2023-06-15", "2023-06-20", "2023-05-31", "asked_too_early"),  # 15 days before the ship date
    ("2023-06-15", "2023-06-20", "2023-06-01", ""),
    ("2024-01-09", "2024-01-19", "2023-12-20", ""),  # the date of service decides which version
]


@pytest.mark.parametrize(("day", "ends", "asked", "expected"), PUBLISHED)
def test_published_vectors_of_the_refill_rule(day: str, ends: str, asked: str, expected: str) -> None:
    since = on(ends) - timedelta(days=90)
    facts = PatientFacts(
        deliveries=(replace(gave(1, MASK, since.isoformat()), billed_to=""),),
        own_lives=own_life(MASK, ("2000-01-01", period(90))),
        coverage=insured(),
    )
    (row,) = stops(
        [Part(MASK, 1, magnetic="no", yes=Yes(on(asked), on(asked), MASK))],
        facts, POLICY, on=on(day), screen=None, shipped=True,
    )  # fmt: skip
    assert [stop.code for stop in row] == ([expected] if expected else [])


def test_a_payer_with_a_rule_of_its_own_is_asked_by_that() -> None:
    own = PayerTerms({}, (RefillRule(on("2020-01-01"), contact_lead=45, delivery_lead=20),))
    policy = shipped_policy(payers={PAYER: own})
    for asked, stopped in (("2026-05-16", True), ("2026-05-17", False)):  # 45 days before 1 July
        part = cushions(yes=replace(YES, asked_on=on(asked)))
        (row,) = stops([part], ASPEN, policy, on=on("2026-06-21"), screen=CLEAR, shipped=True)
        assert (Stop(StopCode.ASKED_TOO_EARLY, on("2026-05-17")) in row) is stopped


def test_rows_of_one_code_add_up_in_their_order() -> None:
    first, second, other = stops(
        [cushions(4), cushions(3), Part(PILLOWS, 6, magnetic="no")],
        ASPEN, POLICY, on=on("2026-06-21"), screen=CLEAR,
    )  # fmt: skip
    assert (first, other) == ((), ())
    assert second == (Stop(StopCode.TOO_MANY, None, 6),)


def test_too_many_turns_to_yes_on_the_day_enough_may_go_out() -> None:
    # Two units on 2024-04-01 at two a month: four on 22 May (a commercial payer's printed example), six from
    # 21 June on.
    facts = PatientFacts(deliveries=(gave(2, CUSHION, "2024-04-01", billed_to=PAYER),), coverage=insured())
    (row,) = stops([cushions(6)], facts, POLICY, on=on("2024-05-22"), screen=CLEAR)
    assert row == (Stop(StopCode.TOO_MANY, on("2024-06-21"), 4),)


@pytest.mark.parametrize(
    ("facts", "worn"),
    [
        (PatientFacts(), ""),
        (ASPEN, "Aspen"),
        (replace(ASPEN, refits=(Refit(on("2026-02-01"), "Birch"),)), "Birch"),
        (replace(ASPEN, refits=(Refit(on("2026-01-01"), "Birch"),)), "Birch"),
        (replace(ASPEN, refits=(Refit(on("2025-02-01"), "Birch"),)), "Aspen"),
        (replace(ASPEN, refits=(Refit(on("2026-07-01"), "Birch"),)), "Aspen"),
        (
            PatientFacts(deliveries=(gave(1, MASK, "2026-01-01", family="A"), gave(1, MASK, "2026-02-01"))),
            "A",
        ),
        (PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01", family="A"),)), ""),
    ],
)
def test_the_family_worn_is_the_last_one_stated(facts: PatientFacts, worn: str) -> None:
    assert family_worn(facts, as_of=on("2026-06-30")) == worn


def test_the_examples_in_the_module_hold() -> None:
    assert doctest.testmod(rules_stops).failed == 0


# --- laws ---

GRAVE = {
    StopCode.MAGNETS,
    StopCode.RECALLED,
    StopCode.EXPIRED,
    StopCode.NO_YES,
    StopCode.RECORDED_LATE,
}
days = st.integers(-40, 40)
said = st.sampled_from(list(Said))
screens = st.none() | st.tuples(st.integers(-800, 30), said, said, st.booleans())
yeses = st.none() | st.tuples(days, days, st.sampled_from(sorted(CODES)), st.none() | st.integers(1, 4))
raw_parts = st.lists(
    st.tuples(
        st.sampled_from(sorted(CODES)),
        st.integers(1, 4),
        st.sampled_from(FAMILIES),
        st.none() | days,
        st.sampled_from([None, "no", "yes", "unknown"]),
        st.booleans(),
        yeses,
    ),
    min_size=1,
    max_size=4,
)


@given(cases(), raw_parts, screens, st.booleans(), st.text(min_size=1, max_size=20))
def test_no_typed_reason_lifts_magnets_recall_expiry_or_a_missing_yes(
    case: tuple[PatientFacts, Policy, date],
    raw: list[tuple[object, ...]],
    asked: tuple[int, Said, Said, bool] | None,
    shipped: bool,
    reason: str,
) -> None:
    """Each law is put in words of its own here, not by the flags under test."""
    facts, policy, as_of = case
    screen = ScreenFacts(as_of + timedelta(days=asked[0]), *asked[1:]) if asked else None
    parts = [built(as_of, *values) for values in raw]
    found = stops(parts, facts, policy, on=as_of, screen=screen, shipped=shipped)
    assert len(found) == len(parts)
    for part, row in zip(parts, found, strict=True):
        left = {stop.code for stop in standing(row, reason=reason)}
        if part.recalled:
            assert StopCode.RECALLED in left
        if part.expires_on and part.expires_on < as_of:
            assert StopCode.EXPIRED in left
        if part.magnetic in {"yes", "unknown"} and (screen is None or Said.YES in (asked or ())):
            assert StopCode.MAGNETS in left
        if shipped and (part.yes is None or part.yes.code != part.code):
            assert StopCode.NO_YES in left
        if shipped and part.yes and part.yes.code == part.code and part.yes.recorded_on > as_of:
            assert StopCode.RECORDED_LATE in left
        if reason.strip():
            assert left <= GRAVE
        assert standing(row, reason=" ") == row
        assert {stop.code for stop in row} <= GRAVE | LIFTABLE
        assert not GRAVE & LIFTABLE
        assert len({stop.code for stop in row}) == len(row) or StopCode.NO_YES in left


@given(cases(), st.sampled_from(sorted(CODES)), st.integers(1, 9))
def test_the_day_it_turns_to_yes_is_the_first_on_which_so_many_may_go_out(
    case: tuple[PatientFacts, Policy, date], code: str, quantity: int
) -> None:
    facts, policy, as_of = case
    room = room_for(code, facts, policy, plan_lines(facts, policy, as_of=as_of), as_of=as_of)
    assert room.on(as_of) == limit_of(code, facts, policy, as_of=as_of)
    first = room.first_day_for(quantity, after=as_of)

    def enough(day: date) -> bool:
        limit = room.on(day)
        is_open = limit.deliver_from is None or day >= limit.deliver_from
        return is_open and (limit.quantity is None or limit.quantity >= quantity)

    if first is None:
        assert room.allowance is not None
        assert quantity > room.allowance.units * room.allowance.at_once
        return
    assert first >= as_of
    assert enough(first)
    assert not any(enough(as_of + timedelta(days=n)) for n in range((first - as_of).days))


def built(as_of: date, *values: object) -> Part:
    """A part with its days counted from the day of the dispense."""
    code, quantity, family, expires, magnetic, recalled, yes = values
    told = None
    if isinstance(yes, tuple):
        told = Yes(as_of + timedelta(days=yes[0]), as_of + timedelta(days=yes[1]), yes[2], yes[3])
    return Part(
        str(code),
        int(str(quantity)),
        str(family),
        as_of + timedelta(days=int(str(expires))) if expires is not None else None,
        None if magnetic is None else str(magnetic),
        bool(recalled),
        told,
    )
