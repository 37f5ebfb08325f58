"""A world with shelves, and every kind of write that moves stock, as values that Hypothesis can draw."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pytest
from django.db.models import Sum
from hypothesis import strategies as st

from resupply.models import (
    CatalogueItem,
    Dispense,
    DispenseLine,
    Location,
    Patient,
    StockLevel,
    StockMovement,
)
from resupply.services import counts, stock, stocking
from resupply.services.counts import CountLine
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from resupply.services.shelves import StockLine
from tests import builders
from tests.builders import NOW, TODAY, make_patient

LOTS = ["", "A1", "B2"]
LATER = date(2027, 6, 30)
DAYS: list[date | None] = [None, TODAY, TODAY + timedelta(days=300)]
BY: dict[str, Any] = {"by": None, "now": NOW}


@dataclass(slots=True)
class Store:
    """Two locations that track stock, three items, and a patient who takes parts away."""

    places: list[Location]
    items: list[CatalogueItem]
    patient: Patient

    @classmethod
    def make(cls) -> "Store":
        """Empty shelves."""
        places = [builders.make_location(tracks_stock=True) for _ in range(2)]
        return cls(
            places, [builders.make_item() for _ in range(3)], builders.make_patient(location=places[0])
        )

    def give(self, place: int, lines: list[dict[str, Any]], *, allow_short: bool) -> Dispense:
        """A dispense whose lines are taken out, as `record_dispense` does it."""
        dispense = builders.make_dispense(self.patient, on=TODAY, location=self.places[place], lines=lines)
        stock.take_out(
            list(dispense.lines.select_related("item")),
            location=self.places[place],
            on=TODAY,
            allow_short=allow_short,
            **BY,
        )
        return dispense


Act = Callable[[Store], object]
place, part, few = st.integers(0, 1), st.integers(0, 2), st.integers(1, 4)
lot, expiry = st.sampled_from(LOTS), st.sampled_from(DAYS)
goods = st.lists(st.tuples(part, lot, expiry, few), min_size=1, max_size=3)


@st.composite
def stocking_acts(draw: st.DrawFn) -> Act:
    """Receive, move or discard."""
    what = draw(st.sampled_from(["receive", "receive", "move", "discard"]))
    where, rows = draw(place), draw(goods)

    def act(store: Store) -> object:
        lines = [StockLine(item=store.items[i], lot=lot_, expires_on=e, quantity=q) for i, lot_, e, q in rows]
        here = store.places[where]
        if what == "receive":
            return stocking.receive(location=here, lines=lines, received_on=TODAY, **BY)
        if what == "move":
            there = store.places[1 - where]
            return stocking.move(source=here, target=there, lines=lines, moved_on=TODAY, **BY)
        return stocking.discard(location=here, lines=lines, discarded_on=TODAY, reason="wet", **BY)

    return act


@st.composite
def counting_acts(draw: st.DrawFn) -> Act:
    """A count of a lot, sometimes from a sheet that is out of date."""
    where, row, off = (
        draw(place),
        draw(st.tuples(part, lot, expiry, st.integers(0, 4))),
        draw(st.integers(0, 3)),
    )

    def act(store: Store) -> object:
        i, lot_, e, q = row
        here = store.places[where]
        level = StockLevel.objects.filter(location=here, item=store.items[i], lot=lot_, expires_on=e).first()
        expected = (level.on_hand if level else 0) + (1 if off == 3 else 0)
        line = CountLine(item=store.items[i], lot=lot_, expires_on=e, quantity=q, expected=expected)
        return counts.count(location=here, lines=[line], counted_on=TODAY, **BY)

    return act


@st.composite
def patient_acts(draw: st.DrawFn) -> Act:
    """A dispense, or what takes one back and gives it again."""
    what = draw(st.sampled_from(["give", "give", "short", "back", "thrown", "again"]))
    where, rows, which = draw(place), draw(goods), draw(st.integers(0, 9))

    def act(store: Store) -> object:
        if what in {"give", "short"}:
            lines = [
                {"item": store.items[i], "lot": lot_, "expires_on": e, "quantity": q}
                for i, lot_, e, q in rows
            ]
            return store.give(where, lines, allow_short=what == "short")
        given = list(DispenseLine.objects.order_by("pk"))
        lines = given[which : which + 2]
        if what == "again":
            return stock.take_again(lines, **BY)
        return stock.put_back(lines, to_shelf=what == "back", **BY)

    return act


@st.composite
def voiding_acts(draw: st.DrawFn) -> Act:
    """A slip of the keyboard taken back."""
    which = draw(st.integers(0, 12))

    def act(store: Store) -> object:
        rows = list(StockMovement.objects.order_by("pk"))
        return stocking.void_movement(rows[which % len(rows)], reason="slip", **BY) if rows else None

    return act


def any_act() -> st.SearchStrategy[Act]:
    """Any of them."""
    return stocking_acts() | stocking_acts() | counting_acts() | patient_acts() | voiding_acts()


Sums = dict[tuple[Any, ...], int]
_KEY = ("location_id", "item_id", "lot", "expires_on")


def shelf() -> Sums:
    """What the levels say."""
    return {tuple(key): on_hand for *key, on_hand in StockLevel.objects.values_list(*_KEY, "on_hand")}


def ledger() -> Sums:
    """What the standing movements sum to; lots that ever moved are there, at zero too."""
    sums = {tuple(key): 0 for key in StockMovement.objects.values_list(*_KEY)}
    for *key, total in (
        StockMovement.objects.filter(voided_at=None).values_list(*_KEY).annotate(Sum("quantity"))
    ):
        sums[tuple(key)] = total
    return sums


def refused(act: Callable[[], object]) -> Refused:
    """The refusal that an act meets."""
    with pytest.raises(Refused) as caught:
        act()
    return caught.value


def receive(place: Location, item: CatalogueItem, quantity: int = 5, **over: Any) -> list[StockMovement]:
    """Five of lot A1 received, unless said otherwise."""
    line: dict[str, Any] = {"lot": "A1", "expires_on": LATER} | over
    return stocking.receive(
        location=place, lines=[StockLine(item=item, quantity=quantity, **line)], received_on=TODAY, **BY
    )


def on_hand(place: Location, item: CatalogueItem, lot: str = "A1") -> int:
    """Units of a lot on the shelf."""
    return StockLevel.objects.get(location=place, item=item, lot=lot).on_hand


def give(place: Location, *lines: NewLine, **over: Any) -> Dispense:
    """A dispense to a new patient of the location, through the service."""
    return record_dispense(
        patient=make_patient(location=place), location=place, dispensed_on=TODAY, lines=lines, **BY | over
    )
