"""The supply strip: where its marks stand, and what it says."""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.lines import State
from resupply.web.gallery.lines import LINES, ODD_LINES
from resupply.web.strip import StripChart, StripLine, StripUnit, default_window, layout
from resupply.web.strip_words import patient_words, sentence, staff_words
from resupply.web.wording import STATE_WORDS

TODAY = date(2026, 3, 18)
START, END = date(2026, 1, 1), date(2026, 4, 11)  # 100 days: one day is one percent

days = st.integers(-200, 300).map(lambda n: START + timedelta(days=n))


def chart(line: StripLine, today: date = TODAY) -> StripChart:
    return layout([line], today=today, start=START, end=END)


def line(*units: StripUnit, **over: object) -> StripLine:
    return StripLine("Mask", "Nasal, M", units, **over)  # type: ignore[arg-type]


def at(day: date) -> float:
    return float((day - START).days)


@st.composite
def histories(draw: st.DrawFn) -> StripLine:
    """Units one after the other, some pauses, and windows anywhere."""
    bounds = sorted(draw(st.lists(days, min_size=2, max_size=8)))
    looks = draw(
        st.lists(
            st.sampled_from(["past", "in_use", "worn", "spare"]), min_size=len(bounds), max_size=len(bounds)
        )
    )
    units = tuple(StripUnit(a, b, look) for a, b, look in zip(bounds, bounds[1:], looks, strict=False))
    pauses = tuple(
        (first, draw(st.none() | st.integers(0, 60).map(lambda n: first + timedelta(days=n))))  # noqa: B023
        for first in draw(st.lists(days, max_size=3))
    )
    ends = draw(st.none() | days)
    return line(
        *units,
        pauses=pauses,
        ask_from=draw(st.none() | days),
        deliver_from=draw(st.none() | days),
        supply_ends_on=ends,
        covered_from=draw(st.none() | days),
    )


@given(histories(), days)
def test_every_mark_lies_inside_the_picture(drawn: StripLine, today: date) -> None:
    (row,) = chart(drawn, today).rows
    spans = (
        [bar.span for bar in row.bars] + list(row.gaps) + [span for span in (row.ask, row.bracket) if span]
    )
    for span in spans:
        assert span.width > 0
        assert span.x >= 0
        assert span.x + span.width <= 100 + 1e-9


@given(histories(), days)
def test_bars_keep_the_order_of_their_units_and_never_overlap(drawn: StripLine, today: date) -> None:
    bars = chart(drawn, today).rows[0].bars
    for one, next_one in pairwise(bars):
        assert one.span.x + one.span.width <= next_one.span.x + 1e-9


@given(histories())
def test_no_bar_covers_a_pause(drawn: StripLine) -> None:
    (row,) = chart(drawn).rows
    for bar in row.bars:
        for gap in row.gaps:
            assert bar.span.x + bar.span.width <= gap.x + 1e-9 or bar.span.x >= gap.x + gap.width - 1e-9


@given(histories(), days)
def test_drawing_twice_gives_the_same_picture(drawn: StripLine, today: date) -> None:
    assert chart(drawn, today) == chart(drawn, today)


def test_a_unit_begins_and_ends_on_its_days() -> None:
    (bar,) = chart(line(StripUnit(date(2026, 1, 11), date(2026, 2, 10), "in_use"))).rows[0].bars
    assert bar.span.x == pytest.approx(10, abs=0.2)
    assert bar.span.x + bar.span.width == pytest.approx(40, abs=0.2)
    assert bar.css == "unit-in-use"


def test_a_unit_that_runs_out_of_the_window_is_cut_and_open_there() -> None:
    (bar,) = chart(line(StripUnit(date(2025, 6, 1), date(2027, 1, 1), "in_use"))).rows[0].bars
    assert (bar.span.x, bar.span.width, bar.span.open_left, bar.span.open_right) == (0, 100, True, True)


def test_a_unit_outside_the_window_or_of_no_days_is_not_drawn() -> None:
    away = StripUnit(date(2025, 1, 1), START, "past")
    none = StripUnit(date(2026, 2, 1), date(2026, 2, 1), "past")
    assert chart(line(away, none)).rows[0].bars == ()


def test_a_unit_of_one_day_can_still_be_seen() -> None:
    long = layout(
        [line(StripUnit(TODAY, TODAY + timedelta(days=1), "worn"))],
        today=TODAY,
        start=date(2024, 1, 1),
        end=date(2027, 1, 1),
    )
    (bar,) = long.rows[0].bars
    assert 0 < bar.span.width <= 100 / (date(2027, 1, 1) - date(2024, 1, 1)).days + 1e-9


def test_a_pause_is_a_gap_and_an_open_pause_runs_to_today() -> None:
    unit = StripUnit(date(2026, 1, 11), date(2026, 3, 31), "in_use")
    (row,) = chart(line(unit, pauses=((date(2026, 3, 8), None), (date(2026, 1, 21), date(2026, 1, 31))))).rows
    assert [(round(gap.x), round(gap.x + gap.width)) for gap in row.gaps] == [(20, 30), (66, 76)]
    assert [(round(bar.span.x), round(bar.span.x + bar.span.width)) for bar in row.bars] == [
        (10, 20),
        (30, 66),
        (76, 89),
    ]


def test_todays_line_stands_where_today_is_for_all_rows() -> None:
    drawn = layout([line(), line()], today=TODAY, start=START, end=END)
    assert drawn.today_x == pytest.approx(at(TODAY))
    assert drawn.today_at == "76.00%"
    assert not drawn.today_turns
    assert layout([], today=END - timedelta(days=1), start=START, end=END).today_turns


def test_today_outside_the_window_has_no_line() -> None:
    assert chart(line(), today=END).today_at is None
    assert chart(line(), today=START).today_at == "0.00%"


def test_the_windows_to_ask_and_to_dispense_end_with_the_supply() -> None:
    (row,) = chart(
        line(ask_from=date(2026, 2, 10), deliver_from=date(2026, 3, 2), supply_ends_on=date(2026, 3, 12))
    ).rows
    assert row.ask is not None
    assert row.bracket is not None
    assert (row.ask.left, row.ask.right) == ("40.00%", "70.00%")
    assert (row.bracket.left, row.bracket.right) == ("60.00%", "70.00%")


def test_later_coverage_moves_the_windows_and_is_marked() -> None:
    (row,) = chart(
        line(deliver_from=date(2026, 3, 2), supply_ends_on=date(2026, 3, 12), covered_from=date(2026, 4, 1))
    ).rows
    assert row.bracket is not None
    assert row.bracket.right == row.covered_at == "90.00%"


def test_coverage_that_is_open_already_is_no_mark() -> None:
    assert chart(line(supply_ends_on=TODAY, covered_from=TODAY)).rows[0].covered_at is None


def test_the_first_spare_is_next_and_the_others_come_later() -> None:
    spares = [
        StripUnit(START + timedelta(days=n), START + timedelta(days=n + 20), "spare") for n in (20, 40, 60)
    ]
    assert [bar.later for bar in chart(line(*spares)).rows[0].bars] == [False, True, True]


def test_ticks_are_the_firsts_of_months_and_labels_keep_clear_of_today() -> None:
    drawn = layout([], today=TODAY, start=date(2025, 12, 15), end=date(2026, 7, 15))
    assert [tick.label for tick in drawn.ticks] == ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul"]
    assert drawn.ticks[0].x == pytest.approx(17 / 212 * 100)
    assert drawn.today_x is not None
    for tick in drawn.ticks:
        gap = tick.x - drawn.today_x
        if tick.show == "always":
            assert gap <= -11 or gap >= 14
        if tick.show == "wide":
            assert gap <= -5.5 or gap >= 6.5


def test_a_long_window_does_not_crowd_its_labels_and_names_the_years() -> None:
    drawn = layout([], today=TODAY, start=date(2024, 6, 10), end=date(2026, 6, 10))
    shown = [tick.x for tick in drawn.ticks if tick.show != "never"]
    assert min(b - a for a, b in pairwise(shown)) >= 6
    assert [tick.label for tick in drawn.ticks if " " in tick.label] == ["Jan 2025", "Jan 2026"]


def test_an_empty_window_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one day"):
        layout([], today=TODAY, start=TODAY, end=TODAY)


def test_the_usual_window_holds_today() -> None:
    for simple in (False, True):
        start, end = default_window(TODAY, simple=simple)
        assert start < TODAY < end


WORDS = [
    ("deliver", "Dispense from today · supply ends Sat 28 Mar"),
    ("overdue", "Supply ended Mon 9 Mar · asked twice, no answer"),
    ("in_supply", "Supply ends Sun 28 Jun"),
    ("in_supply", "1 spare · supply ends Tue 7 Jul"),
    ("in_supply", "2 spares · change on Sun 22 Mar"),
    ("ask", "Supply ends Sun 12 Apr · dispense from Thu 2 Apr"),
    ("due", "Supply ends today · coverage opens Fri 3 Apr"),
    ("paused", "Since Wed 11 Mar · supply ends Sun 26 Apr"),
    ("overdue", "Supply ended Sat 3 Jan"),
]


@pytest.mark.parametrize(("drawn", "expected"), list(zip(LINES + ODD_LINES, WORDS, strict=True)))
def test_the_words_beside_a_strip(drawn: StripLine, expected: tuple[str, str]) -> None:
    assert (drawn.state, staff_words(drawn, today=TODAY)) == expected


def test_the_sentence_says_kind_part_state_use_and_dates() -> None:
    assert sentence(LINES[0], today=TODAY) == (
        "Mask, Nasal, frame M: Ready. In use since Sun 28 Dec 2025. "
        "Dispense from today, supply ends Sat 28 Mar."
    )
    assert sentence(ODD_LINES[0], today=TODAY).startswith(
        "Cushion, Full face, L: Due today, waiting for coverage."
    )


def test_a_given_sentence_is_kept() -> None:
    assert (
        sentence(line(sentence="As it was before the change."), today=TODAY) == "As it was before the change."
    )


def test_patients_read_plain_words() -> None:
    assert [patient_words(drawn, today=TODAY) for drawn in (*LINES[:2], LINES[4], *ODD_LINES[:2])] == [
        "Change on Sat 28 Mar",
        "Past its date since Mon 9 Mar",
        "Change on Sun 22 Mar · 2 spares at home",
        "Reaches its date today",
        "Paused with your therapy",
    ]


def test_every_state_has_its_word() -> None:
    assert STATE_WORDS.keys() == {state.value for state in State}
