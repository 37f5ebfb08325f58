"""Stock: what comes and goes, what is refused, and what dispenses and corrections do to the shelf."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from pytest_django import DjangoAssertNumQueries

from resupply.models import (
    CatalogueItem,
    Dispense,
    DispenseLine,
    Location,
    Movement,
    StockCount,
    StockLevel,
    StockMovement,
    SuppliedBy,
)
from resupply.queries import stock as queries
from resupply.queries.stock import Lot, StockFilter
from resupply.services import corrections, counts, stock, stock_settings, stocking
from resupply.services.counts import CountLine, Recount
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from resupply.services.shelves import StockLine
from resupply.services.stock_settings import Target
from tests.builders import NOW, TODAY, make_item, make_location, make_movement, make_patient, make_recall
from tests.services.stocked import Store, ledger, shelf

pytestmark = pytest.mark.django_db

BY: dict[str, Any] = {"by": None, "now": NOW}
LATER = date(2027, 6, 30)


@pytest.fixture
def place() -> Location:
    return make_location(name="North", tracks_stock=True)


@pytest.fixture
def item() -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M")


def refused(act: Callable[[], object]) -> Refused:
    with pytest.raises(Refused) as caught:
        act()
    return caught.value


def receive(place: Location, item: CatalogueItem, quantity: int = 5, **over: Any) -> list[StockMovement]:
    line: dict[str, Any] = {"lot": "A1", "expires_on": LATER} | over
    return stocking.receive(
        location=place, lines=[StockLine(item=item, quantity=quantity, **line)], received_on=TODAY, **BY
    )


def on_hand(place: Location, item: CatalogueItem, lot: str = "A1") -> int:
    return StockLevel.objects.get(location=place, item=item, lot=lot).on_hand


def give(place: Location, *lines: NewLine, **over: Any) -> Dispense:
    return record_dispense(
        patient=make_patient(location=place), location=place, dispensed_on=TODAY, lines=lines, **BY | over
    )


# --- receive --------------------------------------------------------------------------------------


def test_the_first_receive_switches_tracking_on_and_no_later_one(item: CatalogueItem) -> None:
    place = make_location()
    receive(place, item)
    assert Location.objects.get(pk=place.pk).tracks_stock
    stock_settings.track_stock(place, is_on=False)
    receive(place, item)
    assert not Location.objects.get(pk=place.pk).tracks_stock


def test_a_lot_typed_in_small_letters_is_the_lot_on_the_shelf(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 2, lot="AB1")
    receive(place, item, 3, lot=" ab1 ")
    assert on_hand(place, item, "AB1") == 5
    assert StockLevel.objects.count() == 1


@pytest.mark.parametrize(
    ("over", "code", "field"),
    [
        ({"quantity": 0}, "quantity", "quantity"),
        ({"quantity": -1}, "quantity", "quantity"),
        ({"quantity": 5001}, "quantity", "quantity"),
        ({"expires_on": TODAY - timedelta(days=1)}, "expired", "expires_on"),
        ({"lot": "x" * 41}, "lot_long", "lot"),
    ],
)
def test_what_may_not_be_received(
    place: Location, item: CatalogueItem, over: dict[str, Any], code: str, field: str
) -> None:
    refusal = refused(lambda: receive(place, item, **over))
    assert (refusal.code, refusal.field, refusal.row) == (code, field, 0)
    assert not StockMovement.objects.exists()
    assert not StockLevel.objects.exists()


def test_a_lot_may_be_received_on_its_last_day(place: Location, item: CatalogueItem) -> None:
    receive(place, item, expires_on=TODAY)
    assert on_hand(place, item) == 5


def test_nothing_is_received_tomorrow_or_without_a_line(place: Location, item: CatalogueItem) -> None:
    line = StockLine(item=item, quantity=1)
    ahead = TODAY + timedelta(days=1)
    assert (
        refused(lambda: stocking.receive(location=place, lines=[line], received_on=ahead, **BY)).code
        == "future"
    )
    assert (
        refused(lambda: stocking.receive(location=place, lines=[], received_on=TODAY, **BY)).code
        == "no_lines"
    )


def test_a_form_sent_twice_is_recorded_once(place: Location, item: CatalogueItem) -> None:
    key, lines = uuid4(), [StockLine(item=item, quantity=4), StockLine(item=item, quantity=1, lot="B")]

    def send() -> list[StockMovement]:
        return stocking.receive(location=place, lines=lines, received_on=TODAY, form_key=key, **BY)

    assert [row.pk for row in send()] == [row.pk for row in send()]
    assert sum(shelf().values()) == 5
    stocking.void_movement(StockMovement.objects.order_by("pk")[0], reason="slip", **BY)
    assert refused(send).code == "form_used"


# --- move, discard --------------------------------------------------------------------------------


def test_a_move_is_one_act_with_two_halves(place: Location, item: CatalogueItem) -> None:
    there = make_location(tracks_stock=True)
    receive(place, item, 5)
    receive(there, item, 1)
    line = StockLine(item=item, quantity=3, lot="A1", expires_on=LATER)
    out, into = stocking.move(source=place, target=there, lines=[line], moved_on=TODAY, **BY)
    assert (on_hand(place, item), on_hand(there, item)) == (2, 4)
    assert (out.pair, out.quantity, into.quantity) == (into.pair, -3, 3)
    stocking.void_movement(into, reason="slip", **BY)
    assert (on_hand(place, item), on_hand(there, item)) == (5, 1)
    assert StockMovement.objects.exclude(voided_at=None).count() == 2


def test_a_move_moves_every_line_or_none(place: Location, item: CatalogueItem) -> None:
    there, other = make_location(tracks_stock=True), make_item()
    receive(place, item, 5)
    before = shelf()
    lines = [
        StockLine(item=item, quantity=3, lot="A1", expires_on=LATER), StockLine(item=other, quantity=1)
    ]  # fmt: skip
    refusal = refused(lambda: stocking.move(source=place, target=there, lines=lines, moved_on=TODAY, **BY))
    assert (refusal.code, refusal.row) == ("not_in_stock", 1)
    assert shelf() == before


def test_where_parts_cannot_be_moved_to(place: Location, item: CatalogueItem) -> None:
    receive(place, item)
    line = StockLine(item=item, quantity=1, lot="A1", expires_on=LATER)

    def move_to(target: Location) -> str:
        return refused(
            lambda: stocking.move(source=place, target=target, lines=[line], moved_on=TODAY, **BY)
        ).code

    assert move_to(place) == "same_location"
    assert move_to(make_location()) == "not_tracked"


def test_one_lot_in_two_lines_counts_together(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5)
    line = StockLine(item=item, quantity=3, lot="A1", expires_on=LATER)
    refusal = refused(
        lambda: stocking.discard(location=place, lines=[line, line], discarded_on=TODAY, reason="wet", **BY)
    )
    assert (refusal.code, refusal.row) == ("not_in_stock", 1)
    assert "Only 2 of these are on the shelf" in refusal.message


def test_discarding_needs_a_reason(place: Location, item: CatalogueItem) -> None:
    receive(place, item, 5, expires_on=TODAY)
    line = StockLine(item=item, quantity=2, lot="A1", expires_on=TODAY)
    common: dict[str, Any] = {"location": place, "lines": [line], "discarded_on": TODAY} | BY
    assert refused(lambda: stocking.discard(reason=" ", **common)).code == "reason_missing"
    stocking.discard(reason="bag torn", **common)
    assert on_hand(place, item) == 3
    assert StockMovement.objects.latest("pk").note == "bag torn"


# --- taking a slip back ---------------------------------------------------------------------------


def test_a_receipt_is_not_voided_once_its_parts_are_gone(place: Location, item: CatalogueItem) -> None:
    (received,) = receive(place, item, 5)
    give(place, NewLine(item=item, quantity=1, lot="A1", expires_on=LATER))
    assert refused(lambda: stocking.void_movement(received, reason="slip", **BY)).code == "below_zero"
    assert on_hand(place, item) == 4
    received.refresh_from_db()
    assert not received.is_voided


def test_a_void_needs_a_reason_and_happens_once(place: Location, item: CatalogueItem) -> None:
    (received,) = receive(place, item)
    assert refused(lambda: stocking.void_movement(received, reason="", **BY)).code == "reason_missing"
    stocking.void_movement(received, reason="slip", **BY)
    assert refused(lambda: stocking.void_movement(received, reason="slip", **BY)).code == "already_void"
    assert on_hand(place, item) == 0


def test_what_a_dispense_took_is_voided_with_the_dispense(place: Location, item: CatalogueItem) -> None:
    receive(place, item)
    give(place, NewLine(item=item, quantity=1, lot="A1", expires_on=LATER))
    taken = StockMovement.objects.get(movement=Movement.DISPENSED)
    assert refused(lambda: stocking.void_movement(taken, reason="slip", **BY)).code == "of_dispense"


# --- dispenses and corrections --------------------------------------------------------------------


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


# --- count ----------------------------------------------------------------------------------------


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


# --- lists ----------------------------------------------------------------------------------------


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
