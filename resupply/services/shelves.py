"""The shelves under lock: movements are written and the levels they change with them, in one transaction.

`Shelves` locks every level of the items concerned, in (item, lot, expiry, location) order, so that two clerks
queue and never deadlock. A transaction that takes and gives back different items locks them all first
(`Shelves.lock`), and patients before that.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Self

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction
from django.db.models import F, Sum

from resupply.models import CatalogueItem, Movement, StockLevel, StockMovement
from resupply.services.records import stamp

_KEY = ["location", "item", "lot", "expires_on"]


@dataclass(frozen=True, slots=True)
class Key:
    """One lot and expiry of an item at a location; without lot or expiry where the pack names none."""

    location_id: int
    item_id: int
    lot: str = ""
    expires_on: date | None = None

    @classmethod
    def of(cls, row: StockLevel | StockMovement) -> Self:
        """The key of a stored row."""
        return cls(row.location_id, row.item_id, row.lot, row.expires_on)

    @property
    def order(self) -> tuple[int, str, date, int]:
        """Where it stands in the order of locks."""
        return (self.item_id, self.lot, self.expires_on or date.max, self.location_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockLine:
    """So many units of one lot of an item."""

    item: CatalogueItem
    quantity: int
    lot: str = ""
    expires_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What is done to the shelves, on which day, and who records it."""

    movement: Movement
    on: date
    by: AbstractBaseUser | None
    now: datetime
    note: str = ""

    def row(self, key: Key, quantity: int) -> StockMovement:
        """A row of the ledger, not yet written; out of the location where `quantity` is negative."""
        return StockMovement(
            location_id=key.location_id,
            item_id=key.item_id,
            lot=key.lot,
            expires_on=key.expires_on,
            movement=self.movement,
            quantity=quantity,
            on=self.on,
            note=self.note.strip(),
            **stamp(self.by, self.now),
        )


class Shelves:
    """Levels locked until the transaction ends. `free` counts what is on hand and not yet reserved."""

    def __init__(self, levels: Iterable[StockLevel]) -> None:
        self._rows = {Key.of(level): level for level in levels}
        self.free: defaultdict[Key, int] = defaultdict(int)
        self.free.update({key: level.on_hand for key, level in self._rows.items()})

    @classmethod
    def lock(cls, location_ids: Collection[int], item_ids: Collection[int]) -> Self:
        """Lock all levels of these items at these locations."""
        found = StockLevel.objects.filter(location__in=location_ids, item__in=item_ids)
        in_order = found.order_by("item_id", "lot", F("expires_on").asc(nulls_last=True), "location_id")
        return cls(in_order.select_for_update())

    @classmethod
    def lock_of(cls, rows: Sequence[StockMovement]) -> Self:
        """Lock the levels that movements changed."""
        return cls.lock({row.location_id for row in rows}, {row.item_id for row in rows})

    def open(self, keys: Collection[Key]) -> None:
        """Make the levels of these keys that are missing, and know what is on them.

        Each level made here has to get a movement in this transaction.
        """
        self._rows |= _make({*keys} - {*self._rows})
        for key in keys:
            self._rows[key].refresh_from_db(fields=["on_hand"])
            self.free[key] = self._rows[key].on_hand

    def key(self, location_id: int, line: StockLine) -> Key:
        """The key of a line as its level spells the lot: `ab1` typed is the `AB1` on the shelf."""
        wanted = Key(location_id, line.item.pk, line.lot.strip(), line.expires_on)
        folded = wanted.lot.casefold()
        return next(
            (
                key
                for key in self.of(location_id, wanted.item_id)
                if key.expires_on == wanted.expires_on and key.lot.casefold() == folded
            ),
            wanted,
        )

    def __contains__(self, key: Key) -> bool:
        """Whether there is a level of this lot."""
        return key in self._rows

    def of(self, location_id: int, item_id: int) -> list[Key]:
        """The keys of an item at a location, what expires first first; without expiry last."""
        keys = [key for key in self._rows if (key.location_id, key.item_id) == (location_id, item_id)]
        return sorted(keys, key=lambda key: (key.expires_on or date.max, key.lot))

    def post(self, movements: Sequence[StockMovement]) -> None:
        """Write new movements and add them to their levels."""
        StockMovement.objects.bulk_create(movements)
        self._change(movements, 1)

    def undo(self, movements: Sequence[StockMovement]) -> None:
        """Take movements that were voided out of their levels again."""
        self._change(movements, -1)

    def _change(self, movements: Sequence[StockMovement], sign: int) -> None:
        change: defaultdict[Key, int] = defaultdict(int)
        for movement in movements:
            change[Key.of(movement)] += sign * movement.quantity
        self._rows |= _make({*change} - {*self._rows})
        for key, by in change.items():
            self._rows[key].on_hand = F("on_hand") + by
        StockLevel.objects.bulk_update([self._rows[key] for key in change], ["on_hand"])


def _make(keys: Collection[Key]) -> dict[Key, StockLevel]:
    """Levels at zero, in the order of locks. One that another clerk makes meanwhile is waited for."""
    rows = {
        key: StockLevel(
            location_id=key.location_id, item_id=key.item_id, lot=key.lot, expires_on=key.expires_on
        )
        for key in sorted(keys, key=lambda key: key.order)
    }
    StockLevel.objects.bulk_create(
        rows.values(), update_conflicts=True, unique_fields=_KEY, update_fields=["lot"]
    )
    return rows


def short(on_hand: int) -> str:
    """What is missing, in words."""
    if on_hand:
        return f"Only {on_hand} of these {'is' if on_hand == 1 else 'are'} on the shelf, by the stock ledger."
    return "None of these is on the shelf, by the stock ledger."


def rebuild_levels() -> int:
    """Make the levels equal to the sums of the standing movements; returns the number of rows that differed.

    There is a level for every lot that ever moved, at zero too.
    """
    with transaction.atomic():
        with connection.cursor() as cursor:  # waits for writers under way, and holds the others off
            cursor.execute(f"LOCK TABLE {StockLevel._meta.db_table} IN EXCLUSIVE MODE")
        stored = {Key.of(level): level for level in StockLevel.objects.all()}
        moved = {Key(*row): 0 for row in StockMovement.objects.values_list(*_ids()).distinct()}
        sums = StockMovement.objects.filter(voided_at=None).values_list(*_ids()).annotate(Sum("quantity"))
        moved |= {Key(*row): total for *row, total in sums}
        wrong = [key for key, total in moved.items() if key not in stored or stored[key].on_hand != total]
        stray = [level.pk for key, level in stored.items() if key not in moved]
        StockLevel.objects.filter(pk__in=stray).delete()
        made = _make({*wrong} - {*stored})
        for key in wrong:
            (made.get(key) or stored[key]).on_hand = moved[key]
        StockLevel.objects.bulk_update([made.get(key) or stored[key] for key in wrong], ["on_hand"])
    return len(wrong) + len(stray)


def _ids() -> tuple[str, str, str, str]:
    return ("location_id", "item_id", "lot", "expires_on")
