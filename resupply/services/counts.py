"""Counting the shelves: what was counted beside what was expected; the differences become movements."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Location, Movement, StockCount, StockLevel
from resupply.services.errors import Refused
from resupply.services.records import stamp
from resupply.services.shelves import Act, Key, Shelves, StockLine
from resupply.services.stocking import check_lines, hold_form


@dataclass(frozen=True, slots=True, kw_only=True)
class CountLine(StockLine):
    """A line of a count: `quantity` is what was counted, `expected` what the sheet said."""

    expected: int


class Recount(Refused):
    """Stock moved while it was being counted. `on_hand`: row -> what is on the shelf now, by the ledger."""

    def __init__(self, on_hand: dict[int, int]) -> None:
        message = "Stock moved here while you counted. Count this line again."
        super().__init__("changed", message, "quantity", row=min(on_hand))
        self.on_hand = on_hand


def count(
    *,
    location: Location,
    lines: Sequence[CountLine],
    counted_on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    note: str = "",
    form_key: UUID | None = None,
) -> StockCount:
    """Record a count of the shelves; lines that were not counted are left out.

    Raises Refused: `no_lines`, `future`, `form_used`; with `row`: `quantity`, `lot_long`, `expiry_far`,
    `twice`, and `changed` (`Recount`) where what is on hand is no longer what the sheet said.
    """
    check_lines(location, lines, counted_on, now, field="counted_on", least=0)
    act = Act(movement=Movement.COUNTED, on=counted_on, by=by, now=now)
    with transaction.atomic():
        hold_form(form_key)
        shelves = Shelves.lock([location.pk], {line.item.pk for line in lines})
        keys = _keys(shelves, location, lines)
        rows = list(zip(keys, lines, strict=True))
        changes = [(key, line.quantity - line.expected) for key, line in rows]
        if form_key and (earlier := StockCount.objects.filter(public_id=form_key).first()):
            return _the_same(earlier, location, counted_on, dict(changes))
        shelves.open([key for key, line in rows if line.expected != line.quantity])
        if moved := _moved(shelves, rows):
            raise Recount(moved)
        done = StockCount(location=location, counted_on=counted_on, note=note.strip(), **stamp(by, now))
        done.public_id = form_key or done.public_id
        done.save()
        movements = [act.row(key, change) for key, change in changes if change]
        for movement in movements:
            movement.count = done
        shelves.post(movements)
    return done


def look(
    location: Location, lines: Sequence[CountLine], *, counted_on: date, now: datetime
) -> dict[int, int]:
    """A count as it would be recorded now: rows whose level is not what the sheet said -> what is on hand.

    Writes and locks nothing. Raises Refused as `count` does, but never `changed`.
    """
    check_lines(location, lines, counted_on, now, field="counted_on", least=0)
    levels = StockLevel.objects.filter(location=location, item__in={line.item.pk for line in lines})
    shelves = Shelves(levels)
    return _moved(shelves, list(zip(_keys(shelves, location, lines), lines, strict=True)))


def _the_same(earlier: StockCount, place: Location, on: date, changes: Mapping[Key, int]) -> StockCount:
    """The count this form recorded before; a form that says something else is refused."""
    found = {Key.of(row): row.quantity for row in earlier.movements.all()}
    said = {key: change for key, change in changes.items() if change}
    if (earlier.location_id, earlier.counted_on, found) != (place.pk, on, said):
        raise Refused("form_used", "This form was sent before, with other entries. Open a new one.")
    return earlier


def _keys(shelves: Shelves, location: Location, lines: Sequence[CountLine]) -> list[Key]:
    """The level of each line."""
    keys: list[Key] = []
    for row, line in enumerate(lines):
        key = shelves.key(location.pk, line)
        if key in keys:
            raise Refused("twice", "This lot stands in the list twice. Count it once.", "lot", row=row)
        keys.append(key)
    return keys


def _moved(shelves: Shelves, rows: Sequence[tuple[Key, CountLine]]) -> dict[int, int]:
    """The rows of shelves that changed since the sheet was drawn up, with what is on hand."""
    on_hand = {place: shelves.free[key] for place, (key, _) in enumerate(rows)}
    return {place: now for place, now in on_hand.items() if now != rows[place][1].expected}
