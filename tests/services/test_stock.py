"""What dispenses and corrections do to the shelf, and the lists of what is on it."""

from datetime import date, timedelta
from typing import Any

import pytest
from pytest_django import DjangoAssertNumQueries

from resupply.models import (
    CatalogueItem,
    Dispense,
    DispenseLine,
    Location,
    Movement,
    StockMovement,
    SuppliedBy,
)
from resupply.queries import stock as queries
from resupply.queries.stock import Lot, StockFilter
from resupply.services import corrections, stock, stock_settings
from resupply.services.dispensing import NewLine
from resupply.services.stock_settings import Target
from tests.builders import TODAY, make_item, make_location, make_movement, make_patient, make_recall
from tests.services.stocked import BY, LATER, Store, give, ledger, on_hand, receive, refused, shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def place() -> Location:
    return make_location(name="North", tracks_stock=True)


@pytest.fixture
def item() -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M")


def test_a_dispense_takes_its_lot_and_a_void_brings_it_back(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    dispense = give(place, NewLine(item=item, quantity=2, lot="A1", expires_on=LATER))
    assert on_hand(place, item) == 3
    corrections.void_dispense(dispense, reason="another person", to_shelf=True, **BY)
    assert on_hand(place, item) == 5
    assert list(StockMovement.objects.order_by("pk").values_list("movement", "quantity")) == [
        ("received", 5), ("dispensed", -2), ("returned", 2),
    ]  # fmt: skip


def test_parts_that_are_thrown_away_come_back_and_go(place: Location, item: CatalogueItem) -> None:
    store = Store([place], [item], make_patient(location=place))
    receive(place, item, 5)
    dispense = store.give(
        0, [{"item": item, "quantity": 2, "lot": "A1", "expires_on": LATER}], allow_short=False
    )
    lines = list(dispense.lines.all())
    for _ in range(2):  # the second time there is nothing to put back
        stock.put_back(lines, to_shelf=False, **BY)
    assert on_hand(place, item) == 3
    assert list(StockMovement.objects.order_by("pk").values_list("movement", "quantity")) == [
        ("received", 5), ("dispensed", -2), ("returned", 2), ("discarded", -2),
    ]  # fmt: skip
    stock.take_again(lines, **BY)
    assert on_hand(place, item) == 3
    assert StockMovement.objects.exclude(voided_at=None).count() == 2
    stock.put_back(lines, to_shelf=True, **BY)
    assert on_hand(place, item) == 5
    assert shelf() == ledger()


def taken(place: Location, **line: Any) -> list[tuple[str, date | None, int]]:
    """What a dispense line of 3 takes from the shelf."""
    give(place, NewLine(quantity=3, **line), allow_short=True)
    rows = StockMovement.objects.filter(movement=Movement.DISPENSED).order_by("pk")
    return [(row.lot, row.expires_on, -row.quantity) for row in rows]


SOON, GONE = TODAY + timedelta(days=20), TODAY - timedelta(days=1)


@pytest.mark.parametrize(
    ("line", "expected", "why"),
    [
        ({"lot": "B", "expires_on": LATER}, [("B", LATER, 3)], "exactly the lot it names"),
        ({"lot": "b", "expires_on": LATER}, [("B", LATER, 3)], "however it is spelled"),
        ({"lot": "B"}, [("B", LATER, 3)], "an expiry that it does not name is the lot's"),
        ({}, [("A", SOON, 2), ("B", LATER, 1)], "without a lot, what expires first, and no expired lot"),
        ({"lot": "C", "expires_on": LATER}, [("C", LATER, 3)], "a lot that is not there goes below zero"),
        ({"lot": "A"}, [("A", SOON, 2), ("A", SOON, 1)], "beyond what is there, the lot it names"),
        ({"expires_on": LATER}, [("B", LATER, 3)], "the expiry it names"),
    ],
)
def test_where_parts_are_taken_from(
    place: Location,
    item: CatalogueItem,
    line: dict[str, Any],
    expected: list[tuple[str, date | None, int]],
    why: str,
) -> None:
    for lot, expires_on, quantity in [("A", SOON, 2), ("B", LATER, 9), ("X", GONE, 7)]:
        make_movement(item, place, lot=lot, expires_on=expires_on, quantity=quantity)
    assert taken(place, item=item, **line) == expected, why
    assert shelf() == ledger()


def test_what_is_not_in_stock_is_refused_at_its_row(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", quantity=1)
    lines = [NewLine(part_code="A7035", quantity=1), NewLine(item=item, quantity=2, lot="A")]
    refusal = refused(lambda: give(place, *lines))
    assert (refusal.code, refusal.row, refusal.field) == ("not_in_stock", 1, "quantity")
    assert refusal.message.startswith("Only 1 of these is on the shelf")
    assert not Dispense.objects.exists()
    assert on_hand(place, item, "A") == 1
    give(place, *lines, allow_short=True)
    assert on_hand(place, item, "A") == -1


def test_two_rows_of_one_dispense_share_the_shelf(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", quantity=3)
    line = NewLine(item=item, quantity=2, lot="A", exception_reason="a reason")
    assert refused(lambda: give(place, line, line)).row == 1


@pytest.mark.parametrize("why", ["not tracked", "supplied elsewhere", "no item"])
def test_what_leaves_the_shelf_alone(place: Location, item: CatalogueItem, why: str) -> None:
    make_movement(item, place, quantity=1)
    if why == "not tracked":
        stock_settings.track_stock(place, is_on=False)
    line = NewLine(part_code="A7032", quantity=2) if why == "no item" else NewLine(item=item, quantity=2)
    give(place, line, supplied_by=SuppliedBy.ELSEWHERE if why == "supplied elsewhere" else SuppliedBy.US)
    assert DispenseLine.objects.exists()
    assert StockMovement.objects.get().movement == Movement.RECEIVED


def test_lots_come_first_expiring_first(place: Location, item: CatalogueItem) -> None:
    rows = [("A", None), ("B", LATER), ("C", SOON), ("D", GONE), ("E", TODAY)]
    for lot, expires_on in rows:
        make_movement(item, place, lot=lot, expires_on=expires_on, quantity=2)
    make_movement(item, place, lot="F", quantity=-1, movement="dispensed")
    found = queries.lots(place.pk, [item.pk], today=TODAY)
    assert found == {item.pk: [Lot("E", TODAY, 2), Lot("C", SOON, 2), Lot("B", LATER, 2), Lot("A", None, 2)]}


def test_a_recalled_lot_is_not_there_to_dispense(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", quantity=4)
    make_movement(item, place, lot="B", quantity=2)
    make_recall(item=item, lot=" a ", title="Clips may crack")
    assert queries.lots(place.pk, [item.pk], today=TODAY) == {item.pk: [Lot("B", None, 2)]}
    (found,) = queries.levels(StockFilter(recalled=True), today=TODAY)
    assert (found.on_hand, found.usable(today=TODAY)) == (6, 2)
    assert [lot.recall for lot in found.lots] == ["Clips may crack", ""]


def test_low_is_by_what_may_be_dispensed(place: Location, item: CatalogueItem) -> None:
    """Ten on the shelf, eight of them expired: two are left, and two is low."""
    make_movement(item, place, lot="A", expires_on=GONE, quantity=8)
    make_movement(item, place, lot="B", expires_on=LATER, quantity=2)
    other = make_item()
    stock_settings.set_targets(place, [Target(item, 2, 12), Target(other, 1, 4)])
    shelves = queries.low([], today=TODAY)
    assert [(row.item.pk, row.usable(today=TODAY), row.to_order(today=TODAY)) for row in shelves] == [
        (other.pk, 0, 4), (item.pk, 2, 10),
    ]  # fmt: skip
    stock_settings.set_targets(place, [Target(item, 1, 12), Target(other, None, None)])
    assert queries.low([], today=TODAY) == []


def test_expiring_counts_expired_in_and_the_last_day_too(place: Location, item: CatalogueItem) -> None:
    make_movement(item, place, lot="A", expires_on=TODAY + timedelta(days=10), quantity=1)

    def found(within: int) -> int:
        return len(queries.expiring([place.pk], today=TODAY, within=within))

    assert (found(9), found(10)) == (0, 1)
    make_movement(make_item(), place, lot="A", expires_on=GONE, quantity=1)
    assert found(0) == 1


def test_lists_cost_the_same_for_one_and_for_thirty(
    place: Location, item: CatalogueItem, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for extra in (0, 30):
        for number in range(extra):
            make_movement(make_item(), place, lot=f"L{number}")
        with django_assert_num_queries(3):
            queries.levels(StockFilter(), today=TODAY)
        with django_assert_num_queries(2):
            queries.lots(place.pk, [item.pk], today=TODAY)
        with django_assert_num_queries(1):
            queries.sheet(place.pk, at_most=100)


@pytest.mark.parametrize(
    ("low_at", "order_up_to", "code", "field"),
    [
        (3, None, "half_target", "order_up_to"),
        (None, 3, "half_target", "low_at"),
        (3, 3, "order_up_to", "order_up_to"),
        (-1, 3, "number", "low_at"),
        (1, 5001, "number", "order_up_to"),
    ],
)
def test_what_is_no_target(
    place: Location, item: CatalogueItem, low_at: int | None, order_up_to: int | None, code: str, field: str
) -> None:
    refusal = refused(
        lambda: stock_settings.set_targets(
            place, [Target(make_item(), 1, 2), Target(item, low_at, order_up_to)]
        )
    )
    assert (refusal.code, refusal.field, refusal.row) == (code, field, 1)
    assert queries.targets(place.pk) == {}
