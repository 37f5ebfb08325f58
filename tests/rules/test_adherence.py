"""Adherence in the first months against the check values we could find, and a brute force.

Basis of the rule: CMS LCD L33718 as the Medicare contractors restate it (4 hours, 70 % of 30 nights in a row,
first 3 months; window of day 31 to 91). No official worked example was found: the rows C1 to C15 are derived
from that text, with our conventions where it is silent (see `rules/adherence.py`).
"""

from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.adherence import Chance, Verdict, When, Window, judge, reevaluation, shipped

START = date(2025, 1, 1)
LAST = date(2025, 3, 31)
"""The last night of the first three months: 90 nights from the first on."""


def night(number: int) -> date:
    """The n-th night, the first being 1."""
    return START + timedelta(days=number - 1)


def nights(*runs: tuple[int, int | None]) -> dict[date, int]:
    """Minutes by night from runs of (how many nights, minutes; None: no data)."""
    minutes = [value for count, value in runs for _ in range(count)]
    return {night(n): value for n, value in enumerate(minutes, 1) if value is not None}


@pytest.mark.parametrize(
    ("runs", "through", "verdict", "best", "sentence"),
    [
        ([(21, 240), (9, 0)], 30, "met", (1, 30, 21), "C1: 21 of 30 is 70 %"),
        ([(20, 480), (10, 0)], 90, "not_met", (1, 30, 20), "C2: the mean of 5 h 20 min is irrelevant"),
        ([(30, 239)], 90, "not_met", (1, 30, 0), "C3: 239 minutes are not 4 hours"),
        ([(20, 240), (10, 0), (1, 240), (59, 0)], 90, "not_met", (1, 30, 20), "C4: no window holds 21"),
        (
            [(30, 0), (21, 240), (39, 0)],
            90,
            "met",
            (22, 51, 21),
            "C5: the earliest window counts",
        ),
        ([(79, 0), (40, 240)], 119, "not_met", (61, 90, 11), "C6: only 11 lie inside the first three months"),
        ([(69, 0), (21, 240)], 90, "met", (61, 90, 21), "C7: the last window"),
        ([(21, 240), (9, None)], 30, "met", (1, 30, 21), "C8: a missing night is one not used"),
        ([(20, 300), (10, None)], 90, "not_met", (1, 30, 20), "C9: 20 of 30, not 20 of 20"),
        ([(2, 240), (1, 0)] * 30, 90, "not_met", (1, 30, 20), "C10: 20 of 30 everywhere"),
        ([(7, 240), (3, 0)] * 9, 90, "met", (1, 30, 21), "C11: 21 of 30 everywhere"),
        ([(21, 240)], 21, "open", None, "C12: no 30 nights are over yet"),
    ],
)
def test_check_values_of_use(runs, through, verdict, best, sentence):
    found = judge(nights(*runs), started_on=START, through=night(through))
    expected = best and Window(night(best[0]), night(best[1]), best[2])
    assert (found.verdict, found.met if verdict == "met" else found.best) == (verdict, expected), sentence
    assert found.last_night == LAST


def test_check_values_of_the_reevaluation_window():
    """C13 to C15; RAD: day 61 to 90, from a payer's policy."""
    window = reevaluation(START, policy="pap")
    assert (window.first, window.last) == (date(2025, 1, 31), date(2025, 4, 1))
    days = [date(2025, 1, 30), date(2025, 1, 31), date(2025, 4, 1), date(2025, 4, 2)]
    assert [window.when(day) for day in days] == [When.EARLY, When.WITHIN, When.WITHIN, When.LATE]
    late = reevaluation(date(2025, 1, 31), policy="pap")
    assert (late.first, late.last) == (date(2025, 3, 2), date(2025, 5, 1))
    other = reevaluation(START, policy="rad")
    assert (other.first, other.last) == (date(2025, 3, 2), date(2025, 3, 31))


def test_shipped_rules_name_their_source():
    use, policies = shipped()
    assert (use.minutes, use.nights, use.window_nights, use.first_months) == (240, 21, 30, 3)
    assert use.nights / use.window_nights == 0.7
    assert all(rule.source and rule.mark in {"P", "P2", "M"} for rule in [use, *policies.values()])


@pytest.mark.parametrize(
    ("runs", "through", "chance", "sentence"),
    [
        ([], 0, (21, 30, 30), "before the first night everything is open"),
        ([(21, 240)], 21, (0, 9, 30), "nothing more is needed than that the window ends"),
        ([(10, 240), (10, 0)], 20, (21, 21, 41), "the nights used slide out before 21 can be reached"),
        ([(69, 0)], 69, (21, 21, 90), "every night left is needed"),
        ([(70, 0)], 70, None, "one night too few is left"),
        ([(70, 0), (20, 240)], 90, None, "all over"),
    ],
)
def test_what_is_still_needed(runs, through, chance, sentence):
    found = judge(nights(*runs), started_on=START, through=night(through))
    expected = chance and Chance(chance[0], chance[1], night(chance[2]))
    assert found.chance == expected, sentence
    assert (found.verdict is Verdict.OPEN) == (chance is not None)


used = st.lists(st.one_of(st.none(), st.integers(0, 600), st.sampled_from([239, 240])), max_size=120)
starts = st.dates(date(2020, 1, 1), date(2027, 12, 31))


def brute(minutes, started_on, through):
    """Every run of 30 nights, one by one, in the first three months as python-dateutil counts them."""
    anniversary = started_on + relativedelta(months=3)
    first, found = started_on, []
    while first + timedelta(days=29) < anniversary:
        window = [first + timedelta(days=n) for n in range(30)]
        if window[-1] <= through:
            found.append((first, sum(minutes.get(day, 0) >= 240 for day in window)))
        first += timedelta(days=1)
    return found


@given(used=used, start=starts, known=st.integers(0, 120))
def test_judged_as_by_looking_at_every_window(used, start, known):
    minutes = {start + timedelta(days=n): value for n, value in enumerate(used) if value is not None}
    through = start + timedelta(days=known - 1)
    found, windows = judge(minutes, started_on=start, through=through), brute(minutes, start, through)
    met = [first for first, count in windows if count >= 21]
    assert (found.met.first if found.met else None) == (met[0] if met else None)
    most = max((count for _, count in windows), default=None)
    assert (found.best.nights if found.best else None) == most


@given(used=used, start=starts, known=st.integers(0, 95))
def test_open_exactly_while_perfect_use_from_now_on_would_do(used, start, known):
    minutes = {start + timedelta(days=n): value for n, value in enumerate(used) if value is not None}
    through = start + timedelta(days=known - 1)
    found = judge(minutes, started_on=start, through=through)
    past = {day: value for day, value in minutes.items() if day <= through}
    perfect = past | {through + timedelta(days=n): 240 for n in range(1, 100)}
    best = judge(perfect, started_on=start, through=start + timedelta(days=99))
    assert (found.verdict is not Verdict.NOT_MET) == (best.verdict is Verdict.MET)


@given(used=used, start=starts, known=st.integers(0, 120), longer=st.integers(0, 119))
def test_more_use_never_makes_it_worse(used, start, known, longer):
    order = [Verdict.NOT_MET, Verdict.OPEN, Verdict.MET]
    minutes = {start + timedelta(days=n): value for n, value in enumerate(used) if value is not None}
    more = minutes | {start + timedelta(days=longer): 600}
    through = start + timedelta(days=known - 1)
    before, after = (judge(rows, started_on=start, through=through).verdict for rows in (minutes, more))
    assert order.index(after) >= order.index(before)
