"""The clock is UTC; a date belongs to a place."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine

from resupply import clock


def test_now_is_aware_and_utc() -> None:
    assert clock.now().utcoffset() == timedelta(0)


@pytest.mark.parametrize(
    ("zone", "expected"),
    [
        ("UTC", date(2026, 3, 1)),
        ("America/Los_Angeles", date(2026, 2, 28)),
        ("Pacific/Auckland", date(2026, 3, 1)),
        (ZoneInfo("Pacific/Kiritimati"), date(2026, 3, 1)),
    ],
)
def test_today_is_the_date_of_the_place(zone: str | ZoneInfo, expected: date) -> None:
    with time_machine.travel(datetime(2026, 3, 1, 3, 0, tzinfo=UTC), tick=False):
        assert clock.today(zone) == expected


def test_a_zone_that_nobody_knows_counts_as_utc() -> None:
    with time_machine.travel(datetime(2026, 3, 1, 23, 0, tzinfo=UTC), tick=False):
        assert clock.today("Nowhere/Land") == date(2026, 3, 1)
