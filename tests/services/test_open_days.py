"""Open days of a location: what is stored, what is refused, what a question is about on them."""

from datetime import date

import pytest

from resupply.models import ClosedDay, Location
from resupply.queries.open_days import open_days
from resupply.queries.questions import askable
from resupply.rules.bundling import OpenDays
from resupply.services import open_days as service
from resupply.services import plans
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_closed_day, make_dispense, make_location, make_patient

pytestmark = pytest.mark.django_db
SUNDAY, MONDAY = date(2026, 3, 29), date(2026, 3, 30)


def close(*places: Location, day: date = MONDAY, reason: str = "Holiday") -> list[ClosedDay]:
    return service.close_day(places, day=day, reason=reason, by=None, today=TODAY, now=NOW)


def test_weekdays_are_kept_in_order_with_their_history() -> None:
    place = make_location()
    assert open_days([place.pk], since=TODAY) == {place.pk: OpenDays()}
    service.set_weekdays(place, [5, 0, 5])
    place.refresh_from_db()
    assert place.open_weekdays == "05"
    assert [row.open_weekdays for row in place.changes.order_by("pgh_id")] == ["01234", "05"]
    with pytest.raises(Refused, match="at least one"):
        service.set_weekdays(place, [])


def test_a_day_off_counts_at_the_locations_that_are_open_then() -> None:
    north, south = make_location(), make_location(open_weekdays="1234")
    [made] = close(north, south)
    assert (made.location, made.day) == (north, MONDAY)
    assert open_days(since=TODAY)[north.pk] == OpenDays(closed=frozenset({MONDAY}))
    with pytest.raises(Refused) as refused:
        close(north, south)
    assert refused.value.code == "closed_anyway"


@pytest.mark.parametrize(
    ("day", "reason", "code"),
    [
        (date(2026, 3, 1), "Holiday", "past"),
        (MONDAY, " ", "reason_missing"),
        (MONDAY, "x" * 121, "reason_long"),
        (SUNDAY, "Holiday", "closed_anyway"),
    ],
)
def test_what_is_no_day_off(day: date, reason: str, code: str) -> None:
    with pytest.raises(Refused) as refused:
        close(make_location(), day=day, reason=reason)
    assert refused.value.code == code
    assert not ClosedDay.objects.exists()


def test_a_day_off_is_taken_back_with_a_reason_and_may_be_added_anew() -> None:
    place = make_location()
    [made] = close(place)
    service.open_again(made, reason="The training was moved.", by=None, now=NOW)
    assert open_days([place.pk], since=TODAY)[place.pk].closed == frozenset()
    with pytest.raises(Refused) as refused:
        service.open_again(made, reason="Again.", by=None, now=NOW)
    assert refused.value.code == "already_void"
    assert len(close(place)) == 1


@pytest.mark.parametrize(
    ("weekdays", "off", "asked"),
    [("0123456", None, ["cushion", "mask"]), ("01234", None, ["cushion"]), ("0123456", "sat", ["cushion"])],
)
def test_a_question_is_about_what_one_open_day_serves(
    weekdays: str, off: str | None, asked: list[str]
) -> None:
    """The cushion's supply ends on Saturday the 28th, on which the mask's window opens: where that day is
    closed, the cushion goes out on the Friday and the mask waits for a question of its own.
    """
    place = make_location(open_weekdays=weekdays)
    if off:
        make_closed_day(place, day=date(2026, 3, 28))
    person = make_patient(location=place)
    make_dispense(person, on=date(2026, 2, 28), lines=[{"part_code": "A7032", "quantity": 1}])
    make_dispense(person, on=date(2026, 1, 7), lines=[{"part_code": "A7034", "quantity": 1}])
    plans.refresh_plans([person.pk], now=NOW)
    assert [line.kind for line in askable([person.pk], day=TODAY)[person.pk]] == asked
