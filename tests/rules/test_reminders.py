"""Reminder steps and sending hours: tables first, then laws."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.reminders import (
    LADDER,
    SAME_REFILL_DAYS,
    US_ZONES,
    WIDEST_HOURS,
    Hours,
    Refill,
    are_shared,
    is_paused,
    may_send,
    next_window,
    step_reached,
)

REFILL = Refill(ask_from=date(2026, 3, 1), refill_on=date(2026, 3, 31), paused_from=None, paused_until=None)


def test_the_ladder() -> None:
    assert [(step.name, step.rank, step.days_after) for step in LADDER] == [
        ("ask", 1, None),
        ("due", 2, 0),
        ("overdue_1", 3, 7),
        ("overdue_2", 4, 28),
    ]
    assert SAME_REFILL_DAYS == 14


@pytest.mark.parametrize(
    ("day", "step", "sentence"),
    [
        (date(2026, 2, 28), None, "nothing before the day to ask"),
        (date(2026, 3, 1), "ask", "asked from that very day"),
        (date(2026, 3, 30), "ask", "still asking on the eve of the refill"),
        (date(2026, 3, 31), "due", "due on the day of the refill"),
        (date(2026, 4, 6), "due", "six days late is still the step before"),
        (date(2026, 4, 7), "overdue_1", "the first overdue step after seven days"),
        (date(2026, 4, 27), "overdue_1", "27 days late is still the first overdue step"),
        (date(2026, 4, 28), "overdue_2", "the second overdue step after 28 days"),
        (date(2036, 1, 1), "overdue_2", "the ladder ends there"),
    ],
)
def test_highest_step(day: date, step: str | None, sentence: str) -> None:
    reached = step_reached(REFILL, day=day)
    assert (reached and reached.name) == step, sentence


def test_a_refill_that_coverage_holds_back_is_not_pressed_for() -> None:
    """`refill_on` is the day coverage opens: until then nothing is due or overdue, whenever supply ended."""
    waiting = Refill(date(2026, 5, 2), date(2026, 6, 1), None, None)
    assert step_reached(waiting, day=date(2026, 5, 1)) is None
    assert step_reached(waiting, day=date(2026, 5, 31)) == LADDER[0]


def test_a_question_put_off_by_a_late_delivery_holds_the_whole_ladder() -> None:
    """`ask_from` may lie after `refill_on` (7 days after a delivery); nothing is sent before it."""
    late = Refill(date(2026, 4, 5), date(2026, 3, 28), None, None)
    assert step_reached(late, day=date(2026, 4, 4)) is None
    assert step_reached(late, day=date(2026, 4, 5)).name == "overdue_1"


@pytest.mark.parametrize(
    ("until", "day", "paused"),
    [
        (date(2026, 3, 20), date(2026, 3, 9), False),
        (date(2026, 3, 20), date(2026, 3, 10), True),
        (date(2026, 3, 20), date(2026, 3, 19), True),
        (date(2026, 3, 20), date(2026, 3, 20), False),
        (None, date(2026, 3, 10), True),
        (None, date(2036, 3, 10), True),
        (None, date(2026, 3, 9), False),
    ],
)
def test_no_reminder_in_a_pause(until: date | None, day: date, paused: bool) -> None:
    refill = Refill(date(2026, 3, 1), date(2026, 3, 31), date(2026, 3, 10), until)
    assert is_paused(refill, day=day) is paused
    assert (step_reached(refill, day=day) is None) is paused


@given(
    st.dates(date(2025, 1, 1), date(2027, 1, 1)), st.integers(0, 90), st.integers(0, 400), st.integers(0, 60)
)
def test_steps_only_rise(ask_from: date, lead: int, days: int, more: int) -> None:
    refill = Refill(ask_from, ask_from + timedelta(days=lead), None, None)
    early = step_reached(refill, day=ask_from + timedelta(days=days))
    late = step_reached(refill, day=ask_from + timedelta(days=days + more))
    assert early is not None
    assert late is not None
    assert early.rank <= late.rank


# --- sending hours ------------------------------------------------------------------------------------------


def local(zone: str, *moment: int) -> datetime:
    return datetime(*moment, tzinfo=ZoneInfo(zone)).astimezone(UTC)


@pytest.mark.parametrize(
    ("hour", "minute", "sends"),
    [(7, 59, False), (8, 0, True), (20, 59, True), (21, 0, False), (21, 1, False)],
)
def test_outer_bounds(hour: int, minute: int, sends: bool) -> None:
    """47 CFR 64.1200(c)(1): not before 8 a.m. or after 9 p.m.; 21:00 itself is held as a caution."""
    for zone in ("America/Denver", "America/Phoenix", "Pacific/Auckland", "Asia/Kathmandu"):
        assert may_send(local(zone, 2026, 3, 18, hour, minute), zone, WIDEST_HOURS) is sends


@pytest.mark.parametrize(
    ("hour", "minute", "sends"), [(8, 59, False), (9, 0, True), (19, 59, True), (20, 0, False)]
)
def test_usual_hours(hour: int, minute: int, sends: bool) -> None:
    assert may_send(local("America/Denver", 2026, 3, 18, hour, minute), "America/Denver") is sends


def test_a_zone_without_clock_changes() -> None:
    """Phoenix is at UTC-7 all year: 15:00 UTC is 08:00 there, 14:30 is 07:30."""
    for month in (1, 7):
        assert may_send(datetime(2026, month, 5, 15, 0, tzinfo=UTC), "America/Phoenix", WIDEST_HOURS)
        assert not may_send(datetime(2026, month, 5, 14, 30, tzinfo=UTC), "America/Phoenix", WIDEST_HOURS)


@pytest.mark.parametrize(
    ("zone", "evening", "opening", "sentence"),
    [
        ("America/New_York", (2026, 3, 7, 22, 0), (2026, 3, 8, 13, 0), "the night loses an hour: 09:00 EDT"),
        ("America/New_York", (2026, 10, 31, 22, 0), (2026, 11, 1, 14, 0), "it gains one: 09:00 EST"),
        ("Europe/Madrid", (2026, 3, 28, 22, 0), (2026, 3, 29, 7, 0), "09:00 CEST"),
        (
            "Australia/Lord_Howe",
            (2026, 4, 4, 22, 0),
            (2026, 4, 4, 22, 30),
            "half an hour's change: UTC+10:30",
        ),
        ("America/Phoenix", (2026, 3, 7, 22, 0), (2026, 3, 8, 16, 0), "no change: 09:00 MST"),
    ],
)
def test_opening_after_the_clocks_changed(
    zone: str, evening: tuple[int, ...], opening: tuple[int, ...], sentence: str
) -> None:
    """Dates of the changes: US Energy Policy Act of 2005 section 110 (second Sunday of March, first Sunday of
    November); EU directive 2000/84/EC (last Sunday of March)."""
    assert next_window(local(zone, *evening), zone).opens_at == datetime(*opening, tzinfo=UTC), sentence


def test_a_day_that_the_zone_skipped_has_no_hours() -> None:
    """Samoa went from 2011-12-29 straight to 2011-12-31 (IANA time zone database, zone Pacific/Apia)."""
    late = local("Pacific/Apia", 2011, 12, 29, 23, 0)
    window = next_window(late, "Pacific/Apia")
    assert window.day == date(2011, 12, 31)
    assert window.opens_at.astimezone(ZoneInfo("Pacific/Apia")).time() == time(9)


@pytest.mark.parametrize("zone", ["", "Denver", "America/Nowhere", "../etc/passwd", "America"])
def test_an_unknown_zone_is_held_to_the_hours_all_us_zones_share(zone: str) -> None:
    # In January 14:00 in New York is 09:00 in Honolulu; 20:00 in San Juan is 19:00 in New York.
    for hour, sends in [(13, False), (14, True), (18, True), (19, False)]:
        assert may_send(local("America/New_York", 2026, 1, 20, hour, 0), zone) is sends
    # In July Puerto Rico and New York share a clock, and Honolulu is an hour further off.
    for hour, sends in [(14, False), (15, True), (19, True), (20, False)]:
        assert may_send(local("America/New_York", 2026, 7, 20, hour, 0), zone) is sends


@pytest.mark.parametrize(
    ("opens", "closes", "shared"),
    [(9, 20, True), (9, 16, True), (9, 15, False), (8, 12, False), (20, 21, False)],
)
def test_hours_too_short_to_be_shared_give_way_to_the_shipped_ones(
    opens: int, closes: int, shared: bool
) -> None:
    """Puerto Rico is at UTC-4 and Honolulu at UTC-10 all year (IANA time zone database): six hours apart."""
    hours = Hours(time(opens), time(closes))
    for month in (1, 7):
        assert are_shared(hours, day=date(2026, month, 20)) is shared
        window = next_window(datetime(2026, month, 20, 12, tzinfo=UTC), "", hours)
        at = time(opens) if shared else time(9)
        assert window.opens_at.astimezone(ZoneInfo("Pacific/Honolulu")).time() == at
        assert window.closes_at.astimezone(ZoneInfo("America/Puerto_Rico")).time() <= time(20)


@given(
    st.integers(0, 12 * 366 * 24 * 60),
    st.sampled_from(["", *US_ZONES]),
    st.integers(8, 20),
    st.integers(1, 13),
)
def test_every_hours_that_can_be_planned_have_a_window(
    minutes: int, zone: str, opens: int, long: int
) -> None:
    now = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    window = next_window(now, zone, Hours(time(opens), time(min(opens + long, 21))))
    for place in [zone] if zone else US_ZONES:
        for moment in (window.opens_at, window.closes_at):
            assert time(8) <= moment.astimezone(ZoneInfo(place)).time() <= time(21)


@given(st.integers(0, 12 * 366 * 24 * 60), st.sampled_from(["", *US_ZONES]))
def test_next_window_holds_the_rule(minutes: int, zone: str) -> None:
    """Whatever the moment: the opening is ahead, within 72 hours, and by day in every zone it is for."""
    now = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    window = next_window(now, zone)
    assert now < window.closes_at
    opening = max(now, window.opens_at)
    assert now <= opening < now + timedelta(hours=72)
    assert may_send(opening, zone)
    assert not may_send(window.closes_at, zone)
    for place in [zone] if zone else US_ZONES:
        there = opening.astimezone(ZoneInfo(place))
        assert there.date() == window.day
        assert time(9) <= there.time() < time(20)


def test_hours_may_reach_from_eight_to_nine() -> None:
    assert Hours(time(8), time(21)).closes == time(21)


@pytest.mark.parametrize(("opens", "closes"), [(7, 20), (9, 22), (20, 9), (9, 9)])
def test_hours_that_reach_into_the_night_are_refused(opens: int, closes: int) -> None:
    with pytest.raises(ValueError, match="between 08:00 and 21:00"):
        Hours(time(opens), time(closes))
