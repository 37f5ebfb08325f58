"""What pages of stock say of a lot, an item and a movement."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

from resupply.models import CatalogueItem, Location, Movement, StockMovement
from resupply.queries.stock import EXPIRES_SOON, Lot, Shelf, begun
from resupply.rules.tables import part_types
from resupply.web.access import StaffRequest, locations
from resupply.web.no_location import NoLocationError
from resupply.web.wording import counted, day_words, kind_word

MOVEMENT_WORDS = {
    Movement.RECEIVED: "Received",
    Movement.DISPENSED: "Dispensed",
    Movement.RETURNED: "Back on the shelf",
    Movement.MOVED: "Moved",
    Movement.COUNTED: "Corrected by a count",
    Movement.DISCARDED: "Discarded",
}
"""Why stock changed -> the word on screen."""


@dataclass(frozen=True, slots=True)
class LotWords:
    """One lot of a shelf; `mark` says what to do about it, in words, `look` is its colour."""

    lot: Lot
    mark: str = ""
    look: str = ""
    is_dated: bool = False
    """Whether it has expired or will before long."""


@dataclass(frozen=True, slots=True)
class ShelfWords:
    """One item at one location as a row."""

    shelf: Shelf
    lots: list[LotWords]
    usable: int
    is_low: bool
    to_order: int
    kind: str

    @property
    def is_below_zero(self) -> bool:
        """Whether the shelf has to be counted."""
        return self.shelf.is_below_zero


def shelf_words(shelf: Shelf, *, today: date, soon: int = EXPIRES_SOON) -> ShelfWords:
    """A shelf as a row."""
    return ShelfWords(
        shelf,
        [lot_words(lot, today=today, soon=soon) for lot in shelf.lots],
        shelf.usable(today=today),
        shelf.is_low(today=today),
        shelf.to_order(today=today),
        kind_word(shelf.item.kind),
    )


def lot_words(lot: Lot, *, today: date, soon: int = EXPIRES_SOON) -> LotWords:
    """A lot, and what there is to do about it."""
    left = (lot.expires_on - today).days if lot.expires_on else soon + 1
    is_dated = left <= soon and lot.on_hand > 0
    if lot.on_hand < 0:
        return LotWords(lot, "count this shelf", "alarm")
    if lot.recall:
        return LotWords(lot, "recalled", "alarm", is_dated)
    if left < 0:
        return LotWords(lot, "expired", "alarm", is_dated)
    if left == 0:
        return LotWords(lot, "expires today", "attention", is_dated)
    if left <= soon:
        return LotWords(lot, f"expires in {counted(left, 'day')}", "attention", is_dated)
    return LotWords(lot)


def lot_name(lot: str, expires_on: date | None, *, today: date) -> str:
    """`lot A213B1, expires Wed 30 Jun 2027`; what the pack does not name is left out."""
    words = [f"lot {lot}"] if lot else []
    if expires_on:
        words.append(f"expires {day_words(expires_on, today=today)}")
    return ", ".join(words) or "no lot"


def movement_word(row: StockMovement) -> str:
    """Why it moved, and which way."""
    if row.movement == Movement.MOVED:
        return "Moved in" if row.quantity > 0 else "Moved out"
    return MOVEMENT_WORDS[Movement(row.movement)]


def signed(number: int) -> str:
    """`+2`, `−1`: a change, with a minus sign as people write it."""
    return f"+{number}" if number > 0 else f"−{-number}" if number else "0"


def item_choices(items: Iterable[CatalogueItem]) -> list[tuple[str, Any]]:
    """The items by kind, for a choice."""
    groups: list[tuple[str, Any]] = [("", "Choose an item")]
    for kind, same in groupby(items, key=lambda item: item.kind):
        groups.append((kind_word(kind), [(str(item.pk), str(item)) for item in same]))
    return groups


def part_choices(items: Iterable[CatalogueItem]) -> list[tuple[str, Any]]:
    """The items by kind, then bare codes for what is not in the catalogue: `item:<id>` or `code:<code>`."""
    groups: list[tuple[str, Any]] = [("", "Choose a part")]
    for kind, same in groupby(items, key=lambda item: item.kind):
        groups.append((kind_word(kind), [(f"item:{item.pk}", str(item)) for item in same]))
    codes = [(f"code:{part.code}", f"{part.name} ({part.code})") for part in part_types().values()]
    groups.append(("Not in the catalogue", sorted(codes, key=lambda choice: choice[1])))
    return groups


def chosen_place(request: StaffRequest, places: list[Location]) -> Location:
    """The location in the address, else the first that tracks stock, else the first; NoLocationError."""
    if not places:
        raise NoLocationError
    wanted = request.GET.get("location", "")
    by_name = {str(place.pk): place for place in places}
    return by_name.get(wanted) or next((place for place in places if place.tracks_stock), places[0])


def my_places(request: StaffRequest) -> list[Location]:
    """The locations this member of staff works at."""
    return list(locations(request))


def place_notes(places: list[Location]) -> list[str]:
    """What to know about locations that do not track stock. No query where all of them do."""
    untracked = [place for place in places if not place.tracks_stock]
    known = begun([place.pk for place in untracked]) if untracked else set()
    return [
        f"{place.name} has switched stock off: dispenses there take nothing from these shelves. A manager "
        "can switch it on again, after a count."
        if place.pk in known
        else f"{place.name} does not track stock yet. The first parts received there switch it on: from then "
        "on each dispense takes its parts from these shelves, so receive everything that lies on them."
        for place in untracked
    ]
