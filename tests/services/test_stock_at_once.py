"""Two clerks at the shelf at once, on two real connections: nobody takes what is taken, nothing is twice."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import transaction

from resupply.models import CatalogueItem, Location, StockCount, StockLevel, StockMovement
from resupply.services import counts, stock, stocking
from resupply.services.counts import CountLine
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.shelves import StockLine, rebuild_levels
from tests.builders import NOW, TODAY, make_item, make_location, make_movement, make_patient
from tests.services.stocked import ledger, shelf
from tests.services.test_at_once import at_once

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def place() -> Location:
    return make_location(tracks_stock=True)


@pytest.fixture
def item() -> CatalogueItem:
    return make_item()


def outcome(results: list[object]) -> list[str]:
    return sorted(result if isinstance(result, str) else "done" for result in results)


def test_two_clerks_cannot_both_take_the_last_in_stock(place: Location, item: CatalogueItem) -> None:
    """For two patients, so that no lock of a patient keeps them apart."""
    make_movement(item, place, lot="A", quantity=1)
    patients = [make_patient(location=place) for _ in range(2)]

    def give(who: int) -> object:
        line = NewLine(item=item, quantity=1, lot="A")
        return record_dispense(
            patient=patients[who], location=place, dispensed_on=TODAY, lines=[line], by=None, now=NOW
        )

    assert outcome(at_once(lambda: give(0), lambda: give(1))) == ["done", "not_in_stock"]
    assert shelf() == ledger()
    assert StockLevel.objects.get().on_hand == 0


def test_a_dispense_and_a_discard_cannot_both_take_the_last(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", quantity=1)
    patient = make_patient(location=place)

    def give() -> object:
        line = NewLine(item=item, quantity=1)
        return record_dispense(
            patient=patient, location=place, dispensed_on=TODAY, lines=[line], by=None, now=NOW
        )

    def discard() -> object:
        line = StockLine(item=item, quantity=1, lot="A")
        return stocking.discard(
            location=place, lines=[line], discarded_on=TODAY, reason="wet", by=None, now=NOW
        )

    assert outcome(at_once(give, discard)) == ["done", "not_in_stock"]
    assert StockLevel.objects.get().on_hand == 0


def test_two_counts_of_one_sheet_correct_it_once(place: Location, item: CatalogueItem) -> None:
    """A lot on the shelf without a level, and one with: each is corrected by one of the two counts."""
    make_movement(item, place, lot="A", quantity=5)
    lines = [
        CountLine(item=item, quantity=3, expected=5, lot="A"),
        CountLine(item=item, quantity=2, expected=0, lot="NEW"),
    ]

    def count() -> object:
        return counts.count(location=place, lines=lines, counted_on=TODAY, by=None, now=NOW)

    assert outcome(at_once(count, count)) == ["changed", "done"]
    assert {row.lot: row.on_hand for row in StockLevel.objects.all()} == {"A": 3, "NEW": 2}
    assert shelf() == ledger()
    assert StockCount.objects.count() == 1


def test_a_new_lot_counted_by_two_is_found_once(place: Location, item: CatalogueItem) -> None:
    """There is no level yet that could be locked."""

    def count() -> object:
        line = CountLine(item=item, quantity=2, expected=0, lot="NEW")
        return counts.count(location=place, lines=[line], counted_on=TODAY, by=None, now=NOW)

    assert outcome(at_once(count, count)) == ["changed", "done"]
    assert StockLevel.objects.get().on_hand == 2


def test_two_receive_the_first_of_a_lot(place: Location, item: CatalogueItem) -> None:
    def receive() -> object:
        line = StockLine(item=item, quantity=3, lot="A", expires_on=TODAY + timedelta(days=9))
        return stocking.receive(location=place, lines=[line], received_on=TODAY, by=None, now=NOW)

    assert outcome(at_once(receive, receive)) == ["done", "done"]
    assert StockLevel.objects.get().on_hand == 6


def test_one_form_pressed_twice_is_received_once(place: Location, item: CatalogueItem) -> None:
    key = uuid4()

    def press() -> object:
        line = StockLine(item=item, quantity=3, lot="A")
        return stocking.receive(
            location=place, lines=[line], received_on=TODAY, form_key=key, by=None, now=NOW
        )[0].pk

    first, second = at_once(press, press)
    assert first == second == StockMovement.objects.get().pk
    assert StockLevel.objects.get().on_hand == 3


def test_moves_there_and_back_at_once_do_not_deadlock(place: Location) -> None:
    """Each locks lots of two items at two locations; they start from opposite ends."""
    there = make_location(tracks_stock=True)
    items = [make_item() for _ in range(4)]
    for each in items:
        for where in (place, there):
            make_movement(each, where, lot="A", quantity=10)

    def move(source: Location, target: Location, order: list[CatalogueItem]) -> object:
        for _ in range(5):
            lines = [StockLine(item=each, quantity=1, lot="A") for each in order]
            stocking.move(source=source, target=target, lines=lines, moved_on=TODAY, by=None, now=NOW)
        return None

    results = at_once(lambda: move(place, there, items), lambda: move(there, place, items[::-1]))
    assert results == [None, None]
    assert set(StockLevel.objects.values_list("on_hand", flat=True)) == {10}
    assert shelf() == ledger()


def test_a_rebuild_during_movements_loses_none(place: Location, item: CatalogueItem) -> None:
    def receive() -> None:
        for number in range(10):
            line = StockLine(item=item, quantity=1, lot=f"L{number % 3}")
            stocking.receive(location=place, lines=[line], received_on=TODAY, by=None, now=NOW)

    def rebuild() -> None:
        for _ in range(5):
            assert rebuild_levels() == 0

    at_once(receive, rebuild)
    assert shelf() == ledger()
    assert sum(shelf().values()) == 10


def test_taking_and_giving_back_at_once(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", quantity=4)
    patient = make_patient(location=place)
    line = NewLine(item=item, quantity=2, lot="A")
    first = record_dispense(
        patient=patient, location=place, dispensed_on=TODAY, lines=[line], by=None, now=NOW
    )

    def give() -> object:
        other = make_patient(location=place)
        return record_dispense(
            patient=other, location=place, dispensed_on=TODAY, lines=[line], by=None, now=NOW
        )

    def back() -> object:
        with transaction.atomic():
            stock.put_back(list(first.lines.all()), to_shelf=True, by=None, now=NOW)
        return None

    at_once(give, back)
    assert StockLevel.objects.get().on_hand == 2
    assert shelf() == ledger()
