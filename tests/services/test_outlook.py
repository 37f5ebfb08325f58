"""The outlook worked out from stored plans: conserved, resumable, the pace with what is still open."""

from datetime import date, timedelta

import pytest

from resupply.models import Location, OutlookRow, OutlookRun, Patient
from resupply.rules.demand import WEEKS
from resupply.services import outlook, outlook_pace, plans
from resupply.services.jobs import Progress
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_event,
    make_item,
    make_life,
    make_location,
    make_patient,
)

pytestmark = pytest.mark.django_db


def given(location: Location, *days: date, code: str = "A7034", **over: object) -> Patient:
    """A patient who was given one unit of a code on some days; plans refreshed."""
    person = make_patient(location=location)
    for day in days:
        make_dispense(person, on=day, lines=[{"part_code": code, **over}])
    plans.refresh_plans([person.pk], now=NOW)
    return person


def run(today: date = TODAY) -> Progress:
    progress = Progress()
    outlook.work_out({"as_of": today.isoformat()}, progress, now=NOW)
    return progress


def test_each_refill_counts_once_by_item_location_and_week() -> None:
    """A mask of 1 March: 1 June, 1 September and, past the horizon, 1 December; one overdue: this week and
    three months on.
    """
    north, south, mask = (
        make_location(),
        make_location(),
        make_item(part_code="A7034", kind="mask", name="Mask"),
    )
    given(north, date(2026, 3, 1), item=mask)
    given(south, date(2025, 11, 1))
    run()
    rows = {(row.location_id, row.item_id): row for row in OutlookRow.objects.all()}
    first, second = rows[north.pk, mask.pk], rows[south.pk, None]
    monday = TODAY - timedelta(days=TODAY.weekday())
    weeks = [monday + timedelta(weeks=week) for week, units in enumerate(first.on_time) if units]
    assert weeks == [date(2026, 6, 1), date(2026, 8, 31)]
    assert [week for week, units in enumerate(second.on_time) if units] == [0, 13]
    for row in (first, second):
        assert sum(row.on_time) + row.later_on_time == row.refills
        assert sum(row.expected) + row.later == pytest.approx(row.refills)
        assert row.later == row.later_on_time
        expected = [week for week, units in enumerate(row.expected) if units]
        assert expected == [week for week, units in enumerate(row.on_time) if units]  # no pace is known yet
        assert len(row.on_time) == len(row.expected) == len(row.low) == WEEKS


def test_who_is_paused_or_no_longer_on_therapy_needs_nothing() -> None:
    north = make_location()
    paused, ended = given(north, date(2026, 3, 1)), given(north, date(2026, 3, 1))
    make_event(paused, "pause", on=date(2026, 3, 10))
    ended.status = "ended"
    ended.save()
    plans.refresh_plans([paused.pk, ended.pk], now=NOW)
    run()
    assert not OutlookRow.objects.exists()


def test_a_patient_s_own_life_counts() -> None:
    north = make_location()
    person = given(north, date(2026, 3, 1))
    make_life(
        part_code="A7034",
        reason="sensitive skin",
        patient=person,
        period_count=1,
        effective_from=date(2026, 1, 1),
    )
    plans.refresh_plans([person.pk], now=NOW)
    run()
    row = OutlookRow.objects.get()
    assert sum(row.on_time) == 6  # three units of a month each, on 1 April and 1 July


def test_the_pace_is_seen_with_what_is_still_open() -> None:
    """Given on 1 November and again 12 days after it was worn; the other waits since 1 February."""
    north = make_location()
    given(north, date(2025, 11, 1), date(2026, 2, 13))
    given(north, date(2025, 11, 1))
    [seen] = outlook_pace.look_back(today=TODAY)
    assert (seen["kind"], seen["known"]) == ("mask", {"12": 1})
    assert seen["open"] == {"44": 1}  # it had waited 44 days by the end of yesterday


def test_the_clinics_pace_moves_what_is_expected() -> None:
    """Forty refills took ten days each: the next one, of 1 June, is expected on 11 June."""
    north = make_location()
    mondays = OutlookRun(as_of=TODAY, first_day=TODAY, made_at=NOW)
    state: outlook.State = {
        "seen": [{"location": north.pk, "kind": "mask", "known": {"10": 40}, "open": {}}],
        "left": [north.pk],
    }
    mondays.delays = state
    mondays.save()
    given(north, date(2026, 3, 1))
    assert outlook.go_on(mondays.pk) == 0
    row = OutlookRow.objects.get()
    monday = TODAY - timedelta(days=TODAY.weekday())
    weeks = [monday + timedelta(weeks=week) for week, units in enumerate(row.expected) if units > 0.99]
    assert weeks == [date(2026, 6, 8)]
    assert row.later == pytest.approx(1)  # 1 September moved on by 10 days, and 10 more: past the horizon
    assert (row.low[12], row.high[12]) == (1, 1)


def test_a_large_location_is_done_in_parts_and_counts_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    north = make_location()
    for day in (1, 5, 9):
        given(north, date(2026, 3, day))
    columns = ["item", "part_code", "refills", "on_time", "expected", "variance", "low", "high", "later"]
    run(TODAY)
    whole = list(OutlookRun.objects.get().rows.order_by("part_code").values(*columns))
    monkeypatch.setattr(outlook, "AT_A_RING", 1)
    OutlookRun.objects.all().delete()
    begun = outlook.begin(today=TODAY, now=NOW)
    assert [outlook.go_on(begun.pk) for _ in range(3)] == [1, 1, 0]
    assert list(OutlookRun.objects.get().rows.order_by("part_code").values(*columns)) == whole
    assert whole[0]["refills"] >= 3


def test_a_run_goes_on_where_it_was_left_and_takes_the_place_of_the_last() -> None:
    north, south = make_location(), make_location()
    given(north, date(2026, 3, 1)), given(south, date(2026, 3, 1))
    assert outlook.keep_up(today=TODAY, now=NOW)
    assert OutlookRow.objects.count() == 1
    assert not OutlookRun.objects.get().is_done
    assert outlook.keep_up(today=TODAY, now=NOW)
    assert not outlook.keep_up(today=TODAY, now=NOW), "the day's outlook stands"
    first = OutlookRun.objects.get()
    assert first.is_done
    progress = run(TODAY + timedelta(days=1))
    assert progress.told == (2, 2)
    second = OutlookRun.objects.get()
    assert second.pk != first.pk
    assert set(second.rows.values_list("location", flat=True)) == {north.pk, south.pk}


@pytest.mark.parametrize(
    ("there", "most", "taken"),
    [(0, 3, []), (3, 3, [0, 1, 2]), (4, 3, [0, 1, 2]), (7, 3, [0, 2, 4]), (30, 3, [0, 10, 20])],
)
def test_a_sample_is_spread_over_all_and_as_large_as_it_may_be(
    there: int, most: int, taken: list[int]
) -> None:
    assert list(outlook_pace.spread(range(there), most=most)) == taken
