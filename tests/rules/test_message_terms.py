"""Hours and numbers of messages: published check values, clock changes, and caps as laws."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.message_terms import MOST_A_WEEK, SHIPPED, WEEK, MessageTerms, Schedule, has_room
from resupply.rules.reminders import WIDEST_HOURS, Hours, may_send, next_window

DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("local", "sends"),
    [
        # 47 CFR 64.1200(c)(1): not before 8 a.m. nor after 9 p.m. at the called party's
        # place. 21:00 itself is held: ours, the cautious reading.
        ("07:59", False),
        ("08:00", True),
        ("20:59", True),
        ("21:00", False),
        ("21:01", False),
    ],
)
def test_the_widest_hours_a_version_may_have(local: str, sends: bool) -> None:
    widest = Schedule([MessageTerms(WIDEST_HOURS)])
    now = datetime.combine(date(2026, 1, 5), time.fromisoformat(local), ZoneInfo("America/Chicago"))
    assert may_send(now, "America/Chicago", hours_on=widest.hours_on) is sends


@pytest.mark.parametrize(
    ("utc", "sends"),
    [
        (datetime(2026, 7, 1, 15, 0, tzinfo=UTC), True),
        (datetime(2026, 7, 1, 14, 30, tzinfo=UTC), False),
    ],
)
def test_a_zone_without_clock_changes(utc: datetime, sends: bool) -> None:
    """Phoenix is seven hours behind UTC all year (IANA zone database): 08:00 goes out, 07:30 is held."""
    widest = Schedule([MessageTerms(WIDEST_HOURS)])
    assert may_send(utc, "America/Phoenix", hours_on=widest.hours_on) is sends


@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])  # 15 USC 260a: US clocks change
def test_hours_of_a_version_hold_on_both_days_when_clocks_change(day: date) -> None:
    hours = Hours(time(10), time(12))
    schedule = Schedule([MessageTerms(hours, effective_from=day)])
    zone = ZoneInfo("America/New_York")
    before = next_window(datetime.combine(day - DAY, time(6), zone), zone.key, hours_on=schedule.hours_on)
    on = next_window(datetime.combine(day, time(6), zone), zone.key, hours_on=schedule.hours_on)
    assert before.opens_at.astimezone(zone).time() == time(9)
    assert on.opens_at.astimezone(zone).time() == time(10)
    assert on.closes_at.astimezone(zone).time() == time(12)


def test_an_unknown_zone_keeps_to_what_all_us_zones_share() -> None:
    window = next_window(datetime(2026, 1, 5, 1, tzinfo=UTC), "nowhere", hours_on=Schedule().hours_on)
    assert window.opens_at.astimezone(ZoneInfo("Pacific/Honolulu")).time() == time(9)
    assert window.closes_at.astimezone(ZoneInfo("America/Puerto_Rico")).time() == time(20)


def test_the_fourth_message_in_a_week_is_held() -> None:
    """One a day and three a week: the FCC's healthcare exemption (order of 2015-07-10), from memory."""
    days = [date(2026, 3, 2), date(2026, 3, 3), date(2026, 3, 4)]
    assert not has_room(days, day=date(2026, 3, 8), per_week=3)
    assert has_room(days, day=date(2026, 3, 9), per_week=3)
    assert not has_room([date(2026, 3, 2)], day=date(2026, 3, 2), per_week=3)


@pytest.mark.parametrize("zone", ["America/New_York", "America/Phoenix", "nowhere"])
@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])  # 15 USC 260a: US clocks change
def test_caps_count_days_not_hours_when_clocks_change(zone: str, day: date) -> None:
    """A week with a day of 23 or 25 hours is seven days, and that day holds one message, early or late."""

    def sent(offset: int, hour: int) -> date:
        return next_window(datetime.combine(day + offset * DAY, time(hour), UTC), zone).day

    # 12:00 and 21:00 UTC: before and within sending hours, in each of these zones.
    assert sent(0, 12) == sent(0, 21) == day
    days = [sent(-3, 21), sent(0, 12), sent(2, 21)]
    assert days == [day - 3 * DAY, day, day + 2 * DAY]
    assert not has_room(days, day=day, per_week=3)
    assert [has_room(days, day=sent(offset, 21), per_week=3) for offset in (3, 4)] == [False, True]


@given(st.lists(st.integers(0, 40), max_size=60), st.integers(1, MOST_A_WEEK))
def test_no_seven_days_ever_hold_more_than_the_cap(wanted: list[int], per_week: int) -> None:
    """Whatever the order in which messages are wanted, days going back included."""
    start = date(2026, 2, 20)
    sent: list[date] = []
    for offset in wanted:
        day = start + offset * DAY
        if has_room(sent, day=day, per_week=per_week):
            sent.append(day)
    assert len(sent) == len(set(sent))
    for offset in range(41):
        first = start + offset * DAY
        assert sum(first <= day < first + WEEK for day in sent) <= per_week


def test_the_version_that_begins_last_counts_and_of_one_day_the_later_made() -> None:
    first = MessageTerms(per_week=2, effective_from=date(2026, 3, 1))
    second = MessageTerms(per_week=1, effective_from=date(2026, 4, 1))
    mended = MessageTerms(per_week=3, effective_from=date(2026, 4, 1))
    schedule = Schedule([second, first, mended])
    assert schedule.on(date(2026, 2, 28)) is SHIPPED
    assert schedule.on(date(2026, 3, 31)) is first
    assert schedule.on(date(2026, 4, 1)) is mended


@pytest.mark.parametrize("per_week", [0, 4])
def test_no_version_leaves_the_limits(per_week: int) -> None:
    with pytest.raises(ValueError, match="one to three"):
        MessageTerms(per_week=per_week)
