"""The demo shelves: on every day one item is low, a lot expires soon, one has expired, one is below zero."""

from datetime import date, timedelta

import pytest

from resupply.models import Location, Movement, StockMovement
from resupply.queries import stock
from resupply.queries.stock import StockFilter
from tests.demo_days import DAYS, DemoOn
from tests.services.stocked import ledger, shelf


@pytest.mark.parametrize("day", DAYS, ids=str)
def test_the_shelves_show_what_there_is_to_do(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    assert shelf() == ledger()
    assert all(place.tracks_stock for place in Location.objects.all())
    assert [row.item.name for row in stock.low([], today=day)].count("Tubing, 1.8 m") == 1
    expiring = stock.expiring([], today=day)
    assert any(row.expires_first and row.expires_first < day for row in expiring)
    assert any(row.expires_first and day <= row.expires_first <= day + timedelta(days=24) for row in expiring)
    below = stock.levels(StockFilter(below_zero=True), today=day)
    assert [lot.on_hand for row in below for lot in row.lots if lot.on_hand < 0] == [-1]
    assert set(StockMovement.objects.values_list("movement", flat=True)) >= {
        Movement.RECEIVED, Movement.DISPENSED, Movement.MOVED, Movement.COUNTED, Movement.DISCARDED,
    }  # fmt: skip
    assert StockMovement.objects.exclude(voided_at=None).count() == 1
    assert not StockMovement.objects.filter(on__gt=day).exists()
    waiting = stock.open_back_orders([])
    assert [bool(row.expected_on) for row in waiting] == [True, False]
    assert (waiting[0].expected_on or day) > day
    assert {row.location.name for row in waiting} == {"North room", "South room"}
