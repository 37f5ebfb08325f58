"""Random histories that crowd the edges: a few days shared by many facts, month ends, leap days, short lives.

Every example picks a handful of days around an awkward date and puts most facts on them, so that deliveries,
losses, refits, swaps, versions and the day asked about meet on one day far more often than in life.
"""

from datetime import date, timedelta
from typing import Any

from hypothesis import strategies as st

from resupply.rules.facts import (
    Allowance,
    ClinicTerms,
    CoverageSpan,
    Delivery,
    LifeVersion,
    Loss,
    PatientFacts,
    Pause,
    PayerTerms,
    Policy,
    RefillRule,
    Refit,
    Swap,
)
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit

EVER = date(2000, 1, 1)

CODES = {
    "A7034": Kind.MASK,
    "A7030": Kind.MASK,
    "A7032": Kind.CUSHION,
    "A7033": Kind.CUSHION,
    "A7035": Kind.HEADGEAR,
    "A7037": Kind.TUBING,
}
KITS = (
    (),
    (),
    ("A7032",),
    ("A7035",),
    ("A7032", "A7035"),
    ("A7032", "A7033"),
    ("A7033", "A7035", "A7032"),
    ("A7035", "A7035"),
)
WAITS = (None, None, None, None, None, None, -3, 0, 1, 5, 8, 14, 20, 40)
FAMILIES = ("", "Arc", "Bow")
PAYERS = ("Payer One", "Payer Two", "Payer Unheard Of")
AWKWARD = (
    date(2024, 1, 31),  # a leap February ahead
    date(2024, 2, 29),
    date(2025, 11, 30),
    date(2023, 12, 20),  # the refill rule changes with the year
    date(2026, 3, 31),
    date(2025, 6, 15),
)

LIVES = [Period(n, Unit.DAY) for n in (1, 2, 3, 5, 7, 10, 14, 15, 20, 28, 30)]
LIVES += [Period(n, Unit.WEEK) for n in (1, 2, 3)]
LIVES += [Period(n, Unit.MONTH) for n in (1, 1, 2, 3)]
ALLOWANCE_PERIODS = [*LIVES, *(Period(n, Unit.MONTH) for n in (1, 1, 3, 3, 6))]
ALLOWANCES = [
    (units, period, at_once) for units in (1, 2, 3) for period in ALLOWANCE_PERIODS for at_once in (1, 2, 3)
]
OFFSETS = [*range(21), *range(21), *range(21), *range(121)]

PACKED_PARTS = [(code, kit if CODES[code] is Kind.MASK else ()) for code in sorted(CODES) for kit in KITS]
AMOUNTS = [(quantity, wait) for quantity in (1, 1, 1, 2, 3, 6) for wait in WAITS]
MARKS = [(family, payer) for family in FAMILIES for payer in ("", *PAYERS[:2], *PAYERS[:1] * 4)]
SHIFTS = (*[0] * 12, -3, -1, 1, 2, 6, 7, 9, 13, 14, 15, 16)

# Raw choices first, days as numbers, turned into facts once the days are known: strategies built once and few
# draws an example make ten thousand examples affordable.
lives = st.sampled_from(LIVES)
wide_periods = st.builds(Period, st.integers(1, 400), st.sampled_from(list(Unit)))
allowance_periods = st.sampled_from(ALLOWANCE_PERIODS)
moments = st.integers(0, 7 * len(SHIFTS) - 1)
effective = st.one_of(st.none(), moments)  # None: from ever
codes = st.sampled_from(sorted(CODES))
kinds = st.sampled_from(sorted(set(CODES.values())))


def few(most: int, *parts: st.SearchStrategy[Any], least: int = 0) -> st.SearchStrategy[list[Any]]:
    """At most so many tuples, in some order of recording."""
    return st.lists(st.tuples(*parts), min_size=least, max_size=most)


raw_pools = st.tuples(st.sampled_from(AWKWARD), st.lists(st.sampled_from(OFFSETS), min_size=1, max_size=6))
raw_deliveries = few(
    6, moments, st.sampled_from(PACKED_PARTS), st.sampled_from(AMOUNTS), st.sampled_from(MARKS), least=1
)
raw_swaps = few(4, moments, kinds)
raw_losses = few(3, moments, kinds)
raw_refits = few(2, moments, st.sampled_from(FAMILIES[1:]))
raw_pauses = few(3, moments, st.sampled_from([None, None, *range(0, 46, 3)]))
raw_own_lives = few(4, codes, effective, st.sampled_from([*LIVES, *[None] * 6]))
raw_clinic_lives = few(4, codes, effective, lives)
raw_spans = few(3, effective, st.sampled_from(["", *PAYERS, *PAYERS[:2], *PAYERS[:1] * 5]))
raw_allowances = few(8, st.sampled_from(PAYERS[:2]), codes, effective, st.sampled_from(ALLOWANCES))
raw_rules = few(3, st.sampled_from(["", *PAYERS[:2]]), effective, st.integers(0, 40), st.integers(0, 15))
raw_terms = few(2, effective, st.integers(0, 20), lives)
raw_defaults = st.tuples(st.integers(0, len(LIVES) - 1), st.integers(0, len(LIVES) - 1))
raw_asked = st.tuples(moments, st.one_of(st.just(0), st.integers(-30, 200)))


class Days:
    """The few days of one example: most of the time exactly one of them, else a day close to one."""

    def __init__(self, first: date, offsets: list[int]) -> None:
        self.pool = [first, *(first + timedelta(days=n) for n in offsets)]

    def at(self, moment: int) -> date:
        """The day a number stands for."""
        shift = SHIFTS[(moment // len(self.pool)) % len(SHIFTS)]
        return self.pool[moment % len(self.pool)] + timedelta(days=shift)

    def since(self, moment: int | None) -> date:
        """The day a version starts."""
        return EVER if moment is None else self.at(moment)


@st.composite
def cases(draw: st.DrawFn) -> tuple[PatientFacts, Policy, date]:
    """A history, a policy and a day asked about: before everything, among the facts, or long after."""
    days = Days(*draw(raw_pools))
    facts = PatientFacts(
        deliveries=tuple(delivery(days, *raw) for raw in draw(raw_deliveries)),
        swaps=tuple(Swap(days.at(moment), kind) for moment, kind in draw(raw_swaps)),
        losses=tuple(Loss(days.at(moment), kind) for moment, kind in draw(raw_losses)),
        refits=tuple(Refit(days.at(moment), family) for moment, family in draw(raw_refits)),
        pauses=tuple(pause(days, *raw) for raw in draw(raw_pauses)),
        own_lives=life_versions(days, draw(raw_own_lives)),
        coverage=tuple(CoverageSpan(days.since(moment), payer) for moment, payer in draw(raw_spans)),
    )
    moment, shift = draw(raw_asked)
    return facts, draw(policies(days)), days.at(moment) + timedelta(days=shift)


@st.composite
def policies(draw: st.DrawFn, days: Days) -> Policy:
    """Lives for every code, two payers with some allowances, the clinic's own rules."""
    start, step = draw(raw_defaults)
    rules = draw(raw_rules)
    common = draw(st.sampled_from([None, *ALLOWANCES]))  # the first payer mostly has one for every code
    allowances: list[Any] = [(PAYERS[0], code, None, common) for code in CODES if common is not None]
    allowances += draw(raw_allowances)
    return Policy(
        kinds=CODES,
        default_lives={
            code: LifeVersion(date.min, LIVES[(start + n * step) % len(LIVES)])
            for n, code in enumerate(CODES)
        },
        clinic_lives=life_versions(days, draw(raw_clinic_lives)),
        payers={payer: payer_terms(days, payer, allowances, rules) for payer in PAYERS[:2]},
        clinic_refill_rules=refill_rules(days, "", rules),
        clinic_terms=tuple(ClinicTerms(days.since(m), gap, aim) for m, gap, aim in draw(raw_terms)),
    )


def delivery(
    days: Days,
    moment: int,
    part: tuple[str, tuple[str, ...]],
    amount: tuple[int, int | None],
    marks: tuple[str, str],
) -> Delivery:
    """One row of a dispense; some masks bring parts, some first units wait."""
    day, (code, contains), (quantity, wait) = days.at(moment), part, amount
    return Delivery(
        on=day,
        kind=CODES[code],
        code=code,
        quantity=quantity,
        family=marks[0],
        first_use_on=None if wait is None else day + timedelta(days=wait),
        contains=contains,
        billed_to=marks[1],
    )


def pause(days: Days, moment: int, length: int | None) -> Pause:
    """Open, empty, or of some days."""
    start = days.at(moment)
    return Pause(start, None if length is None else start + timedelta(days=length))


def life_versions(
    days: Days, raw: list[tuple[str, int | None, Period | None]]
) -> dict[str, tuple[LifeVersion, ...]]:
    """Versions by code, in order of recording."""
    versions: dict[str, tuple[LifeVersion, ...]] = {}
    for code, moment, life in raw:
        versions[code] = (*versions.get(code, ()), LifeVersion(days.since(moment), life))
    return versions


def refill_rules(
    days: Days, payer: str, raw: list[tuple[str, int | None, int, int]]
) -> tuple[RefillRule, ...]:
    """The rules of one payer; no payer: the clinic's own."""
    return tuple(RefillRule(days.since(m), contact, lead) for who, m, contact, lead in raw if who == payer)


def payer_terms(
    days: Days,
    payer: str,
    allowances: list[tuple[str, str, int | None, tuple[int, Period, int]]],
    rules: list[tuple[str, int | None, int, int]],
) -> PayerTerms:
    """Allowances and refill rules of one payer."""
    by_code: dict[str, tuple[Allowance, ...]] = {}
    for who, code, moment, (units, period, at_once) in allowances:
        if who == payer:
            version = Allowance(days.since(moment), units, period, at_once)
            by_code[code] = (*by_code.get(code, ()), version)
    return PayerTerms(by_code, refill_rules(days, payer, rules))
