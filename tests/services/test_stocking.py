"""What staff do to the shelves: receive, move, discard, take a slip back; and what is refused."""

from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from resupply.models import (
    CatalogueItem,
    Location,
    Movement,
    StockLevel,
    StockMovement,
)
from resupply.services import stock_settings, stocking
from resupply.services.dispensing import NewLine
from resupply.services.shelves import StockLine
from tests.builders import TODAY, make_item, make_location
from tests.services.stocked import BY, LATER, give, on_hand, receive, refused, shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def place() -> Location:
    return make_location(name="North", tracks_stock=True)


@pytest.fixture
def item() -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M")


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


def test_a_form_sent_again_with_other_entries_is_refused(place: Location, item: CatalogueItem) -> None:
    there = make_location(name="South", tracks_stock=True)
    receive(place, item, 9)
    forms: list[tuple[Any, dict[str, Any]]] = [
        (stocking.receive, {"location": place, "received_on": TODAY}),
        (stocking.move, {"source": place, "target": there, "moved_on": TODAY}),
        (stocking.discard, {"location": place, "discarded_on": TODAY, "reason": "wet"}),
    ]
    for write, said in forms:
        line, key = StockLine(item=item, quantity=2, lot="A1", expires_on=LATER), uuid4()
        sent = write(lines=[line], form_key=key, **said, **BY)
        assert write(lines=[line], form_key=key, **said, **BY) == sent
        for other in ([replace(line, quantity=3)], [replace(line, lot="B")], [line, replace(line, lot="B")]):
            assert refused(
                lambda w=write, k=key, s=said, o=other: w(lines=o, form_key=k, **s, **BY)
            ).code == ("form_used")
    assert (on_hand(place, item), on_hand(there, item)) == (9 + 2 - 2 - 2, 2)


def test_a_discard_sent_twice_that_emptied_the_shelf_is_recorded_once(
    place: Location, item: CatalogueItem
) -> None:
    receive(place, item, 2)
    line, key = StockLine(item=item, quantity=2, lot="A1", expires_on=LATER), uuid4()
    said: dict[str, Any] = {"location": place, "discarded_on": TODAY, "reason": "wet", "form_key": key}
    assert stocking.discard(lines=[line], **said, **BY) == stocking.discard(lines=[line], **said, **BY)
    assert on_hand(place, item) == 0
