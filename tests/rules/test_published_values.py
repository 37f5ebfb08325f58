"""The shipped tables and the checks built on them, against values published by others.

Beside each value stands its source and how far it can be trusted: P read in a copy of the source, M from
memory and to be verified, D derived from a P value by the arithmetic of `periods` (conventions are ours
where no formula is published). Nothing here is legal advice; the payer's present text comes first.
"""

from datetime import date, timedelta

import pytest

from resupply.rules.deliveries import AnswerKind, DispenseVerdict, check_dispense, keep_until
from resupply.rules.facts import LifeVersion, PatientFacts
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit, add
from resupply.rules.tables import (
    Anchor,
    part_types,
    published_refill_rules,
    refill_rule_on,
    shipped_lives,
    shipped_refill_rules,
    usual_maximums,
)
from tests.rules.build import PAYER, Engine, days, gave, insured, months, on, shipped_policy

MAC_TABLE = "DME MAC 'Billing Reminder - Maximum Allowable of PAP and RAD Accessories', 2011-09-09 (P)"

USUAL_MAXIMUMS = [  # units per calendar months
    ("A4604", 1, 3),
    ("A7027", 1, 3),
    ("A7028", 2, 1),
    ("A7029", 2, 1),
    ("A7030", 1, 3),
    ("A7031", 1, 1),  # several retail pages say 2: wrong for Medicare
    ("A7032", 2, 1),
    ("A7033", 2, 1),
    ("A7034", 1, 3),
    ("A7035", 1, 6),
    ("A7036", 1, 6),
    ("A7037", 1, 3),
    ("A7038", 2, 1),
    ("A7039", 1, 6),
    ("A7046", 1, 6),
]


@pytest.mark.parametrize(("code", "units", "per_months"), USUAL_MAXIMUMS)
def test_usual_maximum(code: str, units: int, per_months: int) -> None:
    allowance = usual_maximums()[code]
    assert (allowance.units, allowance.period) == (units, Period(per_months, Unit.MONTH)), MAC_TABLE
    assert allowance.effective_from == date(2011, 9, 9), MAC_TABLE


def test_no_other_code_has_a_usual_maximum() -> None:
    """The table has no row for A7044 and A7045 (P): no published limit, neither zero nor unlimited."""
    assert set(usual_maximums()) == {code for code, _, _ in USUAL_MAXIMUMS}


def test_at_once_is_a_one_or_three_month_quantity() -> None:
    """No more than a one- or three-month quantity at a time: joint DME MAC reminder, 2024-01-04 (P)."""
    for code, allowance in usual_maximums().items():
        assert allowance.at_once == (3 if allowance.period == months(1) else 1), code
        assert allowance.period.count * allowance.at_once in (3, 6), code


AT_ONCE = [
    ("A7032", 6, "3-month dispensing: 6 allowed, 7 refused (D)"),
    ("A7031", 3, "3-month dispensing: 3 allowed, 4 refused (D)"),
    ("A7038", 6, "six disposable filters may go out together (P, joint DME MAC reminder)"),
    ("A7035", 1, "a six-month item is still one (P, the same)"),
    ("A7044", None, "no published limit under the MAC table (P)"),
]


@pytest.mark.parametrize(("code", "limit", "basis"), AT_ONCE)
def test_most_at_once(engine: Engine, code: str, limit: int | None, basis: str) -> None:
    """A part last given long ago, supply and coverage used up: the whole of what may go out at once."""
    facts = PatientFacts(deliveries=(gave(1, code, "2020-01-01", billed_to=PAYER),), coverage=insured())
    assert engine(facts, shipped_policy(), on("2024-06-01"))[0].quantity_limit == limit, basis


def test_headgear_two_months_after_the_last_is_refused(engine: Engine) -> None:
    """A7035 at 1 per 6 months, last two months ago: none, due at six months (D from the MAC table)."""
    facts = PatientFacts(deliveries=(gave(1, "A7035", "2026-01-10", billed_to=PAYER),), coverage=insured())
    row = engine(facts, shipped_policy(), on("2026-03-10"))[0]
    assert (row.quantity_limit, row.covered_from) == (0, on("2026-07-10"))


@pytest.mark.parametrize("as_of", ["2024-05-22", "2024-06-01", "2024-06-20"])
def test_a_payers_worked_example(engine: Engine, as_of: str) -> None:
    """Two pairs of A7029 on 2024-04-01 at 2 a month leave 4 more before 2024-06-30.

    Worked example of a commercial payer's reimbursement policy for PAP supplies, effective 2024-04-01 (P).
    That payer's window is 90 days; ours is three calendar months and opens the rest ten days before its end.
    """
    facts = PatientFacts(deliveries=(gave(2, "A7029", "2024-04-01", billed_to=PAYER),), coverage=insured())
    assert engine(facts, shipped_policy(), on(as_of))[0].quantity_limit == 4
    assert add(on("2024-04-01"), days(90)) == on("2024-06-30")


def test_pillows_are_billed_by_the_pair() -> None:
    """Two separate pillows, or one piece with two protrusions, are one unit: DME MAC nasal interfaces (P)."""
    pairs = {code for code, part in part_types().items() if part.unit == "pair"}
    assert pairs == {"A7029", "A7033"}  # A7033 P; A7029 read on a page that reports it


KINDS = {
    Kind.MASK: {"A7027", "A7030", "A7034", "A7044"},
    Kind.CUSHION: {"A7031", "A7032", "A7033"},
    Kind.ORAL_CUSHION: {"A7028"},
    Kind.COMBINATION_PILLOWS: {"A7029"},
    Kind.HEADGEAR: {"A7035"},
    Kind.CHIN_STRAP: {"A7036"},
    Kind.TUBING: {"A7037", "A4604"},
    Kind.FILTER_DISPOSABLE: {"A7038"},
    Kind.FILTER_REUSABLE: {"A7039"},
    Kind.CHAMBER: {"A7046"},
}
LIVES = {  # common practice of the trade, no published source: editable by the clinic
    Kind.MASK: 3,
    Kind.CUSHION: 1,
    Kind.ORAL_CUSHION: 1,
    Kind.COMBINATION_PILLOWS: 1,
    Kind.HEADGEAR: 6,
    Kind.CHIN_STRAP: 6,
    Kind.TUBING: 3,
    Kind.FILTER_DISPOSABLE: 1,
    Kind.FILTER_REUSABLE: 6,
    Kind.CHAMBER: 6,
}


@pytest.mark.parametrize("kind", list(Kind))
def test_kinds_and_shipped_lives(kind: Kind) -> None:
    parts = [part for part in part_types().values() if part.kind is kind]
    assert {part.code for part in parts} == KINDS[kind]
    assert {part.life for part in parts} == {months(LIVES[kind])}
    assert {part.life_mark for part in parts} == {"CP"}


def test_every_shipped_row_names_a_source_and_a_mark() -> None:
    marked = [(part.source, part.mark) for part in part_types().values()]
    marked += [(rule.source, rule.mark) for rule in published_refill_rules()]
    assert all(source and mark in {"P", "P2", "M", "CP"} for source, mark in marked)
    assert all(allowance.ref for allowance in usual_maximums().values())


# ---- refill rules by date of service

VERSIONS = [
    # MAC article on refill request requirements, revised August 2012 (P): dates of service from 2011-08-02.
    ("2011-08-01", "v0"),
    ("2011-08-02", "v1"),
    # CMS-1780-F, 88 FR 77676, effective 2024-01-01 (P).
    ("2023-12-31", "v1"),
    ("2024-01-01", "v2"),
    ("1999-01-01", "v0"),
    ("2040-01-01", "v2"),
]


@pytest.mark.parametrize(("date_of_service", "version"), VERSIONS)
def test_version_by_date_of_service(date_of_service: str, version: str) -> None:
    assert refill_rule_on(on(date_of_service)).version == version


def test_the_versions_as_published() -> None:
    """Program Integrity Manual ch. 4; MAC article of 2012; CMS-1780-F and joint MAC reminder 2024 (all P)."""
    seen = [
        (rule.version, rule.contact_lead, rule.contact_anchor, rule.delivery_lead, rule.binding)
        for rule in published_refill_rules()
    ]
    assert seen == [
        ("v0", 7, Anchor.DELIVERY, 5, False),
        ("v1", 14, Anchor.DELIVERY, 10, True),
        ("v2", 30, Anchor.END_OF_SUPPLY, 10, True),
    ]


def test_plans_are_made_with_the_versions_since_2011() -> None:
    seen = [(rule.effective_from, rule.contact_lead, rule.delivery_lead) for rule in shipped_refill_rules()]
    assert seen == [(on("2011-08-02"), 24, 10), (on("2024-01-01"), 30, 10)]


EXPECTED_ENDS = [  # D: end of supply = start of use + days covered; leads of v2 (P)
    ("2024-01-01", months(3), "2024-04-01", "2024-03-02", "2024-03-22"),
    ("2024-01-01", days(90), "2024-03-31", "2024-03-01", "2024-03-21"),
    ("2025-03-15", months(3), "2025-06-15", "2025-05-16", "2025-06-05"),
    ("2025-03-15", days(90), "2025-06-13", "2025-05-14", "2025-06-03"),
    ("2025-11-30", months(3), "2026-02-28", "2026-01-29", "2026-02-18"),
    ("2025-11-30", days(90), "2026-02-28", "2026-01-29", "2026-02-18"),
    ("2024-01-31", months(1), "2024-02-29", "2024-01-30", "2024-02-19"),
    ("2024-01-31", days(30), "2024-03-01", "2024-01-31", "2024-02-20"),
    ("2025-08-31", months(6), "2026-02-28", "2026-01-29", "2026-02-18"),
]


@pytest.mark.parametrize(("start", "cover", "end", "contact", "delivery"), EXPECTED_ENDS)
def test_planned_dates_under_the_2024_rule(
    engine: Engine, start: str, cover: Period, end: str, contact: str, delivery: str
) -> None:
    """The plan of one unit; the question comes no earlier than a week after the delivery, which is ours."""
    facts = PatientFacts(deliveries=(gave(1, "A7044", start, billed_to=PAYER),), coverage=insured())
    policy = shipped_policy(default_lives=with_life("A7044", cover))
    row = engine(facts, policy, on(start))[0]
    assert (row.supply_ends_on, row.deliver_from) == (on(end), on(delivery))
    assert row.ask_from == max(on(contact), on(start) + timedelta(days=7))
    asked = checked(delivered=delivery, end=end, asked=contact)
    assert asked.allowed
    assert reasons(checked(delivered=delivery, end=end, asked=day_before(contact))) == ["asked_too_early"]
    assert reasons(checked(delivered=day_before(delivery), end=end, asked=contact)) == ["delivered_too_early"]


OLDER_ENDS = [  # D from the leads of v1 and v0 (P): earliest possible contact is end less both leads
    ("v1", "2023-04-01", "2023-03-08", "2023-03-22"),
    ("v0", "2010-04-01", "2010-03-20", "2010-03-27"),
]


@pytest.mark.parametrize(("version", "end", "contact", "delivery"), OLDER_ENDS)
def test_the_same_arithmetic_under_the_older_rules(
    version: str, end: str, contact: str, delivery: str
) -> None:
    verdict = checked(delivered=delivery, end=end, asked=contact)
    assert (verdict.version, verdict.stops) == (version, ())
    assert reasons(checked(delivered=delivery, end=end, asked=day_before(contact))) == ["asked_too_early"]
    assert reasons(checked(delivered=day_before(delivery), end=end, asked=day_before(delivery))) == [
        "delivered_too_early"
    ]


def test_a_breach_of_what_the_oldest_version_only_advised_is_told_but_allowed() -> None:
    """v0 said "should" and "about" (P, manual quoted in the MAC article of 2009)."""
    verdict = checked(delivered="2010-03-26", end="2010-04-01", asked="2010-03-18")
    assert reasons(verdict) == ["asked_too_early", "delivered_too_early"]
    assert verdict.allowed
    unanswered = checked(delivered="2010-03-29", end="2010-04-01", asked="2010-03-25", answer=AnswerKind.NONE)
    assert not unanswered.allowed, "the patient's own yes is no advice"


def test_before_2024_plans_ask_from_24_days_before_the_end(engine: Engine) -> None:
    """At most 14 days before a delivery at most 10 days before the end (v1, P)."""
    facts = PatientFacts(deliveries=(gave(1, "A7044", "2023-01-01", billed_to=PAYER),), coverage=insured())
    row = engine(facts, shipped_policy(), on("2023-01-01"))[0]
    assert (row.supply_ends_on, row.ask_from, row.deliver_from) == (
        on("2023-04-01"),
        on("2023-03-08"),
        on("2023-03-22"),
    )


CHECKS = [  # delivered, end of supply, asked, reasons, basis
    ("2024-03-25", "2024-04-01", "2024-03-01", ["asked_too_early"], "v2: 31 days before the end"),
    ("2024-03-25", "2024-04-01", "2024-03-02", [], "v2: 30 days before the end"),
    ("2024-03-21", "2024-04-01", "2024-03-02", ["delivered_too_early"], "v2: 11 days before the end"),
    ("2024-03-22", "2024-04-01", "2024-03-02", [], "v2: 10 days before the end"),
    ("2023-06-15", "2023-06-20", "2023-05-31", ["asked_too_early"], "v1: 15 days before shipping"),
    ("2023-06-15", "2023-06-20", "2023-06-01", [], "v1: 14 days before shipping"),
    ("2024-03-30", "2024-04-01", "2024-03-02", [], "v2: 28 days before shipping, which v1 would refuse"),
    ("2023-03-30", "2023-04-01", "2023-03-02", ["asked_too_early"], "v1: the same a year earlier"),
    ("2024-04-06", "2024-04-01", "2024-04-05", [], "v2: contact after the end, then shipped (P, MAC text)"),
    (
        "2024-01-09",
        "2024-01-19",
        "2023-12-20",
        [],
        "asked in 2023, dispensed in 2024: the date of service governs (D)",
    ),
    ("2024-03-25", "2024-04-01", "2024-03-26", ["recorded_late"], "asked the day after it went"),
    ("2024-03-25", "2024-04-01", None, ["not_asked"], "nobody asked"),
]


@pytest.mark.parametrize(("delivered", "end", "asked", "expected", "basis"), CHECKS)
def test_check_dispense(delivered: str, end: str, asked: str | None, expected: list[str], basis: str) -> None:
    verdict = checked(delivered=delivered, end=end, asked=asked)
    assert reasons(verdict) == expected, basis
    assert verdict.allowed is (not expected), basis


def test_stops_say_from_when_they_no_longer_hold() -> None:
    verdict = checked(delivered="2024-03-01", end="2024-04-01", asked="2024-02-20")
    assert [(stop.reason.value, stop.yes_from) for stop in verdict.stops] == [
        ("asked_too_early", on("2024-03-02")),
        ("delivered_too_early", on("2024-03-22")),
    ]


@pytest.mark.parametrize("answer", [answer for answer in AnswerKind if answer is not AnswerKind.YES])
def test_only_the_patients_own_yes_to_this_refill_counts(answer: AnswerKind) -> None:
    """No standing consent, no silence, no STOP: affirmative response required, cms.gov and DME MAC (P)."""
    verdict = checked(delivered="2024-03-25", end="2024-04-01", asked="2024-03-05", answer=answer)
    assert reasons(verdict) == ["not_affirmative"]
    assert not verdict.allowed
    assert verdict.source == refill_rule_on(on("2024-03-25")).source


def test_an_answer_recorded_after_shipping_is_refused() -> None:
    """Recorded before shipment; later attestation is not accepted: DME MAC, 2024-12-12 (P)."""
    verdict = checked(delivered="2024-03-25", end="2024-04-01", asked="2024-03-05", recorded_before=False)
    assert reasons(verdict) == ["recorded_late"]
    assert not verdict.allowed
    same_day = checked(delivered="2024-03-25", end="2024-04-01", asked="2024-03-25")
    assert same_day.allowed, "asked and shipped on one day, in that order"


def test_in_person_the_signed_slip_is_enough_but_the_window_holds() -> None:
    """In-person pick-up: signed delivery slip or itemised receipt (P, the same article)."""
    assert checked(delivered="2024-03-25", end="2024-04-01", asked=None, shipped=False).allowed
    early = checked(delivered="2024-03-21", end="2024-04-01", asked=None, shipped=False)
    assert reasons(early) == ["delivered_too_early"]


def test_a_first_dispense_has_no_window() -> None:
    assert checked(delivered="2024-03-25", end=None, asked="2023-01-01").allowed


def test_proof_of_delivery_is_kept_seven_years() -> None:
    """42 CFR 424.57(c)(12), DME MAC proof of delivery (P); the clamp of the leap day is ours (D)."""
    assert keep_until(on("2024-02-29")) == on("2031-02-28")
    assert keep_until(on("2025-06-30")) == on("2032-06-30")


def checked(
    *,
    delivered: str,
    end: str | None,
    asked: str | None,
    answer: AnswerKind = AnswerKind.YES,
    recorded_before: bool = True,
    shipped: bool = True,
) -> DispenseVerdict:
    return check_dispense(
        dispensed_on=on(delivered),
        supply_ends_on=on(end) if end else None,
        asked_on=on(asked) if asked else None,
        answer=answer,
        recorded_before=recorded_before,
        shipped=shipped,
    )


def reasons(verdict: DispenseVerdict) -> list[str]:
    return [stop.reason.value for stop in verdict.stops]


def day_before(day: str) -> str:
    return (on(day) - timedelta(days=1)).isoformat()


def with_life(code: str, life: Period) -> dict[str, LifeVersion]:
    return {**shipped_lives(), code: LifeVersion(date.min, life)}
