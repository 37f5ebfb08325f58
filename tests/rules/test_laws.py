"""Laws that hold for every history: the rules equal the literal walk, and what follows from the definition.

200 random cases each by default, 10,000 with HYPOTHESIS_PROFILE=deep.
"""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any, TypeVar

from dateutil.relativedelta import relativedelta
from hypothesis import assume, event, given
from hypothesis import strategies as st

from resupply.rules import coverage, refills
from resupply.rules.facts import Allowance, Delivery, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, plan_patient, read
from resupply.rules.periods import Period, Unit, add, add_days
from tests.rules import simulation
from tests.rules.build import by_rules, by_simulation
from tests.rules.strategies import CODES, allowance_periods, cases, wide_periods

T = TypeVar("T")
Case = tuple[PatientFacts, Policy, date]


@given(cases())
def test_rules_equal_the_literal_walk(case: Case) -> None:
    facts, policy, as_of = case
    expected = by_simulation(facts, policy, as_of)
    for row in expected:
        event(row.state)
        event(f"limit {row.quantity_limit if row.quantity_limit is None else min(row.quantity_limit, 2)}")
        event(f"refill follows {'coverage' if row.refill_on > row.supply_ends_on else 'supply'}")
    assert by_rules(facts, policy, as_of) == expected


@given(cases(), st.integers(1, 60))
def test_a_stored_plan_reads_as_a_fresh_one_until_the_day_it_names(case: Case, ahead: int) -> None:
    facts, policy, as_of = case
    stored = plan_patient(facts, policy, as_of=as_of)
    last = as_of + timedelta(days=ahead)
    if stored.valid_until is not None:
        assert stored.valid_until > as_of
        assert {plan.valid_until for plan in stored.lines} <= {stored.valid_until}
        last = min(last, stored.valid_until - timedelta(days=1))
    for day in {last, as_of + (last - as_of) // 2}:
        fresh = plan_lines(facts, policy, as_of=day)
        assert fresh == stored.lines
        assert [read(plan, as_of=day) for plan in fresh] == [read(plan, as_of=day) for plan in stored.lines]


@given(cases())
def test_facts_dated_later_do_not_matter(case: Case) -> None:
    facts, policy, as_of = case
    known = replace(
        facts,
        deliveries=tuple(d for d in facts.deliveries if d.on <= as_of),
        swaps=tuple(s for s in facts.swaps if s.on <= as_of),
        losses=tuple(x for x in facts.losses if x.on <= as_of),
        refits=tuple(r for r in facts.refits if r.on <= as_of),
        pauses=tuple(p for p in facts.pauses if p.start <= as_of),
        coverage=tuple(c for c in facts.coverage if c.start <= as_of),
    )
    assume(known != facts)
    assert by_rules(known, policy, as_of) == by_rules(facts, policy, as_of)


@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_recording_matters_only_within_a_day(case: Case, random: Any) -> None:
    facts, policy, as_of = case

    def other_order(items: tuple[T, ...], day_of: Any) -> tuple[T, ...]:
        days = sorted({day_of(item) for item in items})
        random.shuffle(days)
        return tuple(sorted(items, key=lambda item: days.index(day_of(item))))

    shuffled = PatientFacts(
        deliveries=other_order(facts.deliveries, lambda d: d.on),
        swaps=other_order(facts.swaps, lambda s: s.on),
        losses=other_order(facts.losses, lambda x: x.on),
        refits=other_order(facts.refits, lambda r: r.on),
        pauses=other_order(facts.pauses, lambda p: p.start),
        own_lives={
            code: other_order(versions, lambda v: v.effective_from)
            for code, versions in facts.own_lives.items()
        },
        coverage=other_order(facts.coverage, lambda c: c.start),
    )
    assert plan_lines(shuffled, policy, as_of=as_of) == plan_lines(facts, policy, as_of=as_of)


@given(cases())
def test_dates_of_a_line_keep_their_order(case: Case) -> None:
    facts, policy, as_of = case
    for plan in plan_lines(facts, policy, as_of=as_of):
        assert (plan.in_use_since is None) == (plan.worn_on is None)
        if plan.in_use_since is not None and plan.worn_on is not None:
            assert plan.in_use_since <= as_of
            assert plan.in_use_since < plan.worn_on <= plan.supply_ends_on
        assert plan.refill_on >= plan.supply_ends_on
        assert plan.deliver_from <= plan.refill_on
        status = read(plan, as_of=as_of)
        assert status.quantity_limit is None or 0 <= status.quantity_suggested <= status.quantity_limit
        if as_of < plan.deliver_from:
            assert status.quantity_suggested == 0


@given(cases())
def test_as_many_units_are_there_as_came_at_most(case: Case) -> None:
    facts, policy, as_of = case
    for plan in plan_lines(facts, policy, as_of=as_of):
        came = sum(d.quantity for d in facts.deliveries if d.kind == plan.kind and d.on <= as_of)
        assert 0 <= plan.spares <= came


@given(cases(), st.sampled_from(sorted(CODES)), st.integers(1, 3))
def test_another_delivery_never_ends_supply_earlier(case: Case, code: str, quantity: int) -> None:
    """True of lines with units of one code only: a code with a shorter life may well end earlier."""
    facts, policy, as_of = case
    kind = CODES[code]
    same = tuple(replace(d, code=code, kind=kind, contains=()) for d in facts.deliveries)
    before = replace(facts, deliveries=same)
    as_of = max(as_of, min(d.on for d in same))
    lines = plan_lines(before, policy, as_of=as_of)
    given_today = Delivery(on=as_of, kind=kind, code=code, quantity=quantity)
    after = replace(before, deliveries=(*same, given_today))
    (line,) = plan_lines(after, policy, as_of=as_of)
    assert line.supply_ends_on >= lines[0].supply_ends_on


# ---- coverage

allowances = st.builds(Allowance, st.just(date.min), st.integers(1, 4), allowance_periods, st.integers(1, 3))
billed = st.lists(
    st.builds(add_days, st.sampled_from([date(2024, 1, 29), date(2025, 11, 28)]), st.integers(0, 120)),
    min_size=1,
    max_size=14,
).map(sorted)


@given(billed, allowances)
def test_covered_starts_equal_the_brute_force(delivered: list[date], allowance: Allowance) -> None:
    starts = simulation.covered_starts(delivered, allowance)
    assert list(coverage.covered_starts(delivered, allowance)) == starts
    opens = simulation.next_covered(starts, allowance, max(starts))
    assert coverage.covered_from(starts, allowance) == opens
    assert coverage.covered_from(starts[-allowance.units :], allowance) == opens


@given(billed, allowances)
def test_never_more_than_the_allowance_is_covered(delivered: list[date], allowance: Allowance) -> None:
    starts = list(coverage.covered_starts(delivered, allowance))
    assert len(starts) == len(delivered)
    assert all(start >= day for start, day in zip(starts, delivered, strict=True))
    assert starts == sorted(starts)
    for day in starts:  # the count can only rise on a covered start
        running = [t for t in starts if t <= day < simulation.plus(t, allowance.period)]
        assert len(running) <= allowance.units


@given(billed, allowances)
def test_a_unit_waits_only_while_its_places_are_taken(delivered: list[date], allowance: Allowance) -> None:
    starts = list(coverage.covered_starts(delivered, allowance))
    for n, (start, day) in enumerate(zip(starts, delivered, strict=True)):
        if start > day:
            eve = start - timedelta(days=1)
            assert simulation.active(starts[:n], allowance, eve) == allowance.units


@given(billed, allowances, st.integers(0, 250), st.integers(0, 15))
def test_the_limit_equals_trying_every_quantity(
    delivered: list[date], allowance: Allowance, later: int, delivery_lead: int
) -> None:
    """Whatever the plan asks, the arithmetic of the limit on a day is that of the definition."""
    day = add_days(delivered[-1], later)
    starts = simulation.covered_starts(delivered, allowance)
    opens = simulation.next_covered(starts, allowance, max(starts))
    tried = simulation.limit(delivered, allowance, opens, delivery_lead, day)
    found = refills.quantity_limit(
        day,
        allowance=allowance,
        starts=starts[-allowance.units :],
        opens_on=opens,
        billed_on=delivered,
        delivery_lead=delivery_lead,
    )
    event(f"{found} of {allowance.units * allowance.at_once}")
    assert found == tried


# ---- periods, against python-dateutil

any_day = st.dates(date(1900, 1, 1), date(2400, 12, 31))


@given(any_day, wide_periods, st.integers(0, 60))
def test_periods_equal_dateutil(start: date, period: Period, times: int) -> None:
    n = period.count * times
    step = {
        Unit.DAY: relativedelta(days=n),
        Unit.WEEK: relativedelta(weeks=n),
        Unit.MONTH: relativedelta(months=n),
    }[period.unit]
    assert add(start, period, times) == start + step


def test_every_day_of_eight_years_and_every_month_step_equal_dateutil() -> None:
    """Every start from 1999 to 2006 and around 2100 (no leap year), with every step up to two years."""
    steps = [(Period(n, Unit.MONTH), relativedelta(months=n)) for n in range(1, 25)]
    for first, count in [(date(1999, 1, 1), 8 * 365), (date(2099, 1, 1), 3 * 365)]:
        for day in (first + timedelta(days=n) for n in range(count)):
            for period, step in steps:
                assert add(day, period) == day + step


@given(any_day, any_day, wide_periods)
def test_periods_are_monotone_and_go_forward(one: date, other: date, period: Period) -> None:
    early, late = min(one, other), max(one, other)
    assert early < add(early, period) <= add(late, period)


def test_kinds_of_the_strategies_include_lines_a_refit_ends_and_one_it_does_not() -> None:
    assert {Kind.MASK, Kind.CUSHION, Kind.HEADGEAR, Kind.TUBING} == set(CODES.values())
