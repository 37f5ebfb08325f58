"""The change test for leak: its false alarms counted out, its laws, and what it leaves alone."""

from datetime import date, timedelta
from itertools import combinations
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.leaks import LeakKind, LeakNight, WhyNot, comparable, false_alarm, first_found, look

BEFORE = (20.0, 22.0) * 7
leaks = st.floats(0, 200, allow_nan=False)


@pytest.mark.parametrize(
    ("nights", "found", "why_not", "sentence"),
    [
        (BEFORE + (31.0,) * 7, True, None, "seven nights far above the first fourteen"),
        (BEFORE + (31.0,) * 3 + (20.0,) + (31.0,) * 3, True, None, "one ordinary night among them"),
        (BEFORE + (31.0,) * 5 + (20.0,) * 2, False, WhyNot.NOT_SUSTAINED, "five of seven are too few"),
        (BEFORE + (23.0,) * 7, False, WhyNot.TOO_SMALL, "above the mark, yet by less than 2 L/min"),
        (
            tuple(5 * leak for leak in BEFORE) + (115.0,) * 7,
            False,
            WhyNot.TOO_SMALL,
            "by less than a fifth of a high leak",
        ),
        (BEFORE + (31.0,) * 6, False, WhyNot.TOO_FEW_NIGHTS, "twenty nights are too few to tell"),
        ((90.0,) + BEFORE[1:] + (31.0,) * 7, True, None, "one odd night in the baseline hides nothing"),
    ],
)
def test_when_an_early_look_is_proposed(nights, found, why_not, sentence):
    assert (look(nights).found, look(nights).why_not) == (found, why_not), sentence


def test_false_alarms_of_one_look_are_those_counted_out_over_all_orders():
    """All C(21, 7) ways in which the last nights can rank among 21: reference by counting."""
    alarms = 0
    for last in combinations(range(21), 7):
        recent = set(last)
        first = [rank for rank in range(21) if rank not in recent]
        alarms += sum(rank > first[-2] for rank in last) >= 6
    assert alarms == 99
    assert false_alarm() == alarms / comb(21, 7)


@given(st.lists(leaks, min_size=21, max_size=40), st.floats(0, 50, allow_nan=False))
def test_more_leak_in_the_last_nights_never_hides_a_rise(nights, more):
    worse = [*nights[:-7], *(leak + more for leak in nights[-7:])]
    assert look(worse).found or not look(nights).found


@given(st.lists(leaks, min_size=21, max_size=40), st.randoms())
def test_the_order_within_the_first_and_within_the_last_nights_is_of_no_account(nights, random):
    first, last = nights[:14], nights[-7:]
    random.shuffle(first)
    random.shuffle(last)
    assert look([*first, *nights[14:-7], *last]) == look(nights)


@given(st.lists(leaks, max_size=60))
def test_first_found_is_the_first_look_that_finds(nights):
    count = first_found(nights)
    if count is None:
        assert not look(nights).found
    else:
        assert look(nights[:count]).found
        assert not any(look(nights[:fewer]).found for fewer in range(21, count))


def test_only_nights_with_the_cushion_of_four_hours_and_of_one_kind_are_compared():
    since, as_of = date(2026, 3, 1), date(2026, 3, 10)

    def night(day, *, minutes=300, kind=LeakKind.TOTAL):
        return LeakNight(since + timedelta(days=day), minutes, 20.0, kind)

    nights = [
        night(-1),
        night(5),
        night(0),
        night(1, minutes=239),
        night(2, minutes=240),
        night(3, kind=LeakKind.UNINTENTIONAL),
        night(9),
    ]
    assert [night.on.day for night in comparable(nights, since=since, as_of=as_of)] == [1, 3, 6]
    assert comparable([], since=since, as_of=as_of) == []
