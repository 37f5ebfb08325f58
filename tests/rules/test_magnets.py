"""Magnets: the check values of the notices, and laws of the rule.

Sources of the first table: US FDA safety communication (2022-09-06) and Class I notice (2024-01-11), Health
Canada public advisory (2022-09-26), TGA safety alert on masks that contain magnets, statement of a public
hospital trust (UK, 2023-12-07). The notices name the implants, the persons and the distances; that *any* yes
and any open answer blocks, instead of a distance, is this project's stricter rule.
"""

import doctest
from dataclasses import replace
from datetime import date, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import magnets
from resupply.rules.kinds import Kind
from resupply.rules.magnets import (
    Reason,
    Said,
    ScreenFacts,
    implants,
    may_hold_magnets,
    notices,
    said_of,
    standing,
    verdict,
)

TODAY = date(2026, 3, 18)
NOTHING = dict.fromkeys(implants(), Said.NO)


def asked(
    wearer: dict[str, str] | None = None, close: dict[str, str] | None = None, *, on: date = TODAY
) -> ScreenFacts:
    """A screen with "no" everywhere but where said; None: nobody asked about that person."""
    both = [None if of is None else NOTHING | {k: Said(v) for k, v in of.items()} for of in (wearer, close)]
    return ScreenFacts(on, *(said_of(of or {}) for of in both))


# Screen, whether the item holds magnets, whether it is stopped, the sentence.
CHECK_VALUES = [
    (asked({"pacemaker": "yes"}, {}), "yes", True, "the wearer has a pacemaker"),
    (asked({}, {"hearing_implant": "yes"}), "yes", True, "the bed partner has a cochlear implant"),
    (asked({}, {}), "yes", False, "neither has any: allowed, asked again when household or implants change"),
    (None, "yes", True, "never asked: stopped until answered"),
    (asked({"stent": "unknown"}, {}), "yes", True, "don't know: stopped until answered"),
    (asked({}, None), "yes", True, "nobody was asked about the household"),
    (asked({"cataract_lens": "yes"}, {}), "yes", False, "a lens implanted for cataract is not affected"),
    (asked({"cataract_lens": "unknown"}, {}), "yes", False, "nor is it where that is not known"),
    (asked({"cataract_lens": "yes", "eye_implant": "yes"}, {}), "yes", True, "a glaucoma implant is"),
    (asked({"pacemaker": "yes"}, {}), "no", False, "a pacemaker and a mask without magnets"),
    (asked({"pacemaker": "yes"}, {}), "unknown", True, "unknown magnets count as magnets"),
]


@pytest.mark.parametrize(("screen", "magnetic", "stopped", "sentence"), CHECK_VALUES)
def test_check_values(screen: ScreenFacts | None, magnetic: str, stopped: bool, sentence: str) -> None:
    found = may_hold_magnets(Kind.MASK, magnetic) and verdict(screen, as_of=TODAY).blocked
    assert found is stopped, sentence


def test_the_distance_shown_is_the_largest_a_regulator_gives() -> None:
    """16 cm: TGA. 6 in, US FDA and Health Canada, are 15.24 cm (the inch is 2.54 cm exactly)."""
    table = magnets._table()["distance"]
    assert table["inches"] * 2.54 == pytest.approx(table["inches_in_cm"])
    assert magnets.distance_cm() == 16 > table["inches_in_cm"]


# The list as the notices give it: by body part, nothing may get lost.
NAMED = {
    "pacemaker", "defibrillator", "neurostimulator", "csf_shunt", "pump_or_port", "aneurysm_clip", "stent",
    "flow_disruptor", "embolic_coil", "metal_upper_body", "cranial_metal", "eye_implant", "eye_splinter",
    "contact_lens", "hearing_implant", "magnetic_denture", "gastrointestinal_clip", "joint_replacement",
    "mr_unsafe", "shrapnel",
}  # fmt: skip


def test_every_implant_and_object_of_the_notices_stops() -> None:
    assert {code for code, one in implants().items() if not one.exempt} == NAMED
    assert [code for code, one in implants().items() if one.exempt] == ["cataract_lens"]
    for code in NAMED:
        for screen in (asked({code: "yes"}, {}), asked({}, {code: "yes"})):
            assert verdict(screen, as_of=TODAY).reason is Reason.YES, code


def test_every_line_has_its_source_and_plain_words_in_both_languages() -> None:
    assert len(implants()) == len(magnets._table()["item"])
    for implant in implants().values():
        assert set(implant.plain) == {"en", "es"}
        assert all(implant.plain.values())
        assert set(implant.named_in) <= set(notices())
        assert implant.mark in {"P", "P2"}
    assert {"FDA1", "FDA2", "HC", "TGA"} <= set(notices())


@pytest.mark.parametrize(
    ("day", "reason", "sentence"),
    [
        (date(2027, 3, 17), None, "the last day of the year the answers hold"),
        (date(2027, 3, 18), Reason.OLD, "a year later they have to be asked again"),
        (date(2026, 3, 17), None, "a day earlier by another clock"),
    ],
)
def test_answers_hold_for_a_year(day: date, reason: Reason | None, sentence: str) -> None:
    assert verdict(asked({}, {}), as_of=day).reason is reason, sentence


def test_answers_of_a_leap_day_hold_until_the_last_of_february() -> None:
    assert verdict(asked({}, {}, on=date(2028, 2, 29)), as_of=TODAY).ask_again_on == date(2029, 2, 28)


def test_a_yes_is_a_yes_however_old_and_says_more_than_not_known() -> None:
    old = asked({"stent": "yes"}, None, on=date(2020, 1, 1))
    assert verdict(old, as_of=TODAY).reason is Reason.YES


@pytest.mark.parametrize(
    ("kind", "magnetic", "may"),
    [
        (Kind.TUBING, "yes", True),
        (Kind.CUSHION, "unknown", True),
        (Kind.MASK, "no", False),
        (Kind.MASK, None, True),
        (Kind.HEADGEAR, None, True),
        (Kind.CUSHION, None, False),
        (Kind.FILTER_DISPOSABLE, None, False),
    ],
)
def test_which_parts_count_as_magnetic(kind: Kind, magnetic: str | None, may: bool) -> None:
    assert may_hold_magnets(kind, magnetic) is may


def test_a_yes_holds_over_later_answers_until_one_clears_it() -> None:
    yes, no = asked({}, {"pacemaker": "yes"}), asked({}, {}, on=TODAY + timedelta(days=9))
    cleared = replace(no, cleared=True)
    as_of = TODAY + timedelta(days=9)
    assert verdict(standing([yes, no, no]), as_of=as_of).reason is Reason.YES
    assert not verdict(standing([yes, no, cleared]), as_of=as_of).blocked
    assert not verdict(standing([yes, cleared, no]), as_of=as_of).blocked
    assert verdict(standing([cleared, yes]), as_of=as_of).blocked
    assert standing([]) is None


def test_clearing_one_yes_with_another_leaves_the_new_one() -> None:
    first, then = asked({"pacemaker": "yes"}, {}), replace(asked({}, {"stent": "yes"}), cleared=True)
    assert standing([first, then]) == ScreenFacts(TODAY, Said.NO, Said.YES, cleared=True)


# --- laws ---------------------------------------------------------------------------------------------------

answers = st.dictionaries(st.sampled_from(sorted(implants())), st.sampled_from(Said))
screens = st.lists(
    st.builds(
        ScreenFacts,
        st.dates(date(2020, 1, 1), date(2030, 1, 1)),
        st.sampled_from(Said),
        st.sampled_from(Said),
        st.booleans(),
    ),
    max_size=6,
)
days = st.dates(date(2020, 1, 1), date(2031, 1, 1))


@given(answers, st.sampled_from(sorted(NAMED)))
def test_one_more_yes_makes_a_yes(said: dict[str, Said], code: str) -> None:
    assert said_of(said | {code: Said.YES}) is Said.YES


@given(answers, st.randoms())
def test_the_order_of_answers_does_not_matter(said: dict[str, Said], dice: Random) -> None:
    pairs = list(said.items())
    dice.shuffle(pairs)
    assert said_of(dict(pairs)) is said_of(said)


@given(answers)
def test_no_is_said_only_where_every_line_was_answered_with_no(said: dict[str, Said]) -> None:
    every_no = all(said.get(code) is Said.NO for code in NAMED)
    assert (said_of(said) is Said.NO) is every_no


@given(screens, st.integers(0, 6), st.sampled_from(["wearer", "close_contact"]), days)
def test_adding_a_yes_never_unblocks(rows: list[ScreenFacts], place: int, person: str, day: date) -> None:
    """A yes put into any screen, and a screen with a yes put anywhere, leaves blocked what was blocked."""
    before = verdict(standing(rows), as_of=day)
    if place < len(rows):
        changed = [*rows]
        changed[place] = replace(rows[place], **{person: Said.YES})
        assert verdict(standing(changed), as_of=day).blocked or not before.blocked
    extra = ScreenFacts(TODAY, Said.NO, Said.NO)
    wider = [*rows, replace(extra, **{person: Said.YES})]
    assert verdict(standing(wider), as_of=day).reason is Reason.YES


@given(screens, days)
def test_against_a_literal_reading(rows: list[ScreenFacts], day: date) -> None:
    """Any yes at or after the newest clearing; else the newest screen alone, a year long."""
    clearings = [place for place, row in enumerate(rows) if row.cleared]
    since = rows[clearings[-1] :] if clearings else rows
    any_yes = any(Said.YES in (row.wearer, row.close_contact) for row in since)
    all_no = bool(rows) and (rows[-1].wearer, rows[-1].close_contact) == (Said.NO, Said.NO)
    # A year from 29 February ends on the 28th.
    fresh = bool(rows) and day < _a_year_after(rows[-1].asked_on)
    may_be_given = not any_yes and all_no and fresh
    assert verdict(standing(rows), as_of=day).blocked is not may_be_given


def _a_year_after(day: date) -> date:
    try:
        return day.replace(year=day.year + 1)
    except ValueError:
        return date(day.year + 1, 2, 28)


def test_the_examples_in_the_module_run() -> None:
    told = doctest.testmod(magnets)
    assert (told.failed, told.attempted > 5) == (0, True)
