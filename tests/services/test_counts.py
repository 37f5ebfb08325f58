"""Counting the shelves: differences become movements, and what moved meanwhile is counted again."""

from typing import Any
from uuid import uuid4

import pytest

from resupply.models import (
    CatalogueItem,
    Location,
    StockCount,
)
from resupply.services import counts
from resupply.services.counts import CountLine, Recount
from resupply.services.dispensing import NewLine
from tests.builders import NOW, TODAY, make_item, make_location, make_movement
from tests.services.stocked import BY, LATER, give, ledger, on_hand, receive, refused, shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def place() -> Location:
    return make_location(name="North", tracks_stock=True)


@pytest.fixture
def item() -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M")


def counted(item: CatalogueItem, quantity: int, expected: int, **over: Any) -> CountLine:
    line: dict[str, Any] = {"lot": "A1", "expires_on": LATER} | over
    return CountLine(item=item, quantity=quantity, expected=expected, **line)


def count(place: Location, *lines: CountLine, **over: Any) -> StockCount:
    return counts.count(location=place, lines=lines, counted_on=TODAY, **BY | over)


def test_a_count_moves_the_differences_alone(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    receive(place, item, 2, lot="B2")
    done = count(
        place, counted(item, 4, 5), counted(item, 2, 2, lot="B2"), counted(item, 1, 0, lot="NEW"),
        note="Friday",
    )  # fmt: skip
    assert {row.lot: row.quantity for row in done.movements.all()} == {"A1": -1, "NEW": 1}
    assert (on_hand(place, item), on_hand(place, item, "B2"), on_hand(place, item, "NEW")) == (4, 2, 1)
    assert count(place, counted(item, 4, 4)).movements.count() == 0
    assert shelf() == ledger()


def test_a_count_brings_a_shelf_below_zero_back(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A1", expires_on=LATER, quantity=-2, movement="dispensed")
    count(place, counted(item, 0, -2))
    assert on_hand(place, item) == 0


def test_what_moved_during_a_count_is_counted_again(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    receive(place, item, 3, lot="B2")
    lines = [counted(item, 3, 3, lot="B2"), counted(item, 4, 5), counted(item, 1, 0, lot="C3")]
    give(place, NewLine(item=item, quantity=1, lot="A1", expires_on=LATER))
    receive(place, item, 7, lot="C3")
    refusal = refused(lambda: count(place, *lines))
    assert isinstance(refusal, Recount)
    assert (refusal.code, refusal.row, refusal.on_hand) == ("changed", 1, {1: 4, 2: 7})
    assert counts.look(place, lines, counted_on=TODAY, now=NOW) == {1: 4, 2: 7}
    assert not StockCount.objects.exists()


def test_what_cannot_be_counted(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    assert refused(lambda: count(place)).code == "no_lines"
    assert refused(lambda: count(place, counted(item, -1, 5))).code == "quantity"
    twice = refused(lambda: count(place, counted(item, 1, 5), counted(item, 1, 5, lot="a1")))
    assert (twice.code, twice.row) == ("twice", 1)


def test_a_count_sent_twice_is_recorded_once(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    key = uuid4()
    first, second = (count(place, counted(item, 4, 5), form_key=key) for _ in range(2))
    assert first.pk == second.pk
    assert on_hand(place, item) == 4


def test_a_count_sent_again_elsewhere_or_with_other_numbers_is_refused(
    place: Location, item: CatalogueItem
) -> None:
    receive(place, item, 5)
    key = uuid4()
    count(place, counted(item, 4, 5), form_key=key)
    there = make_location(tracks_stock=True)
    assert refused(lambda: count(there, counted(item, 4, 5), form_key=key)).code == "form_used"
    assert refused(lambda: count(place, counted(item, 3, 5), form_key=key)).code == "form_used"
    assert on_hand(place, item) == 4
