"""The demo clinic's shelves: four weeks of movements that end in stock worth looking at.

Both locations began to track stock four weeks before the given day. Since then they received what they had,
gave what the dispenses say, moved, counted and discarded a little. One item is low, one lot expires soon, one
has expired, and one shelf was dispensed below zero; a few patients wait for parts.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from uuid import UUID
from zlib import crc32
from zoneinfo import ZoneInfo

from resupply.models import (
    BackOrder,
    CatalogueItem,
    DispenseLine,
    Location,
    Movement,
    Patient,
    PatientStatus,
    StockCount,
    StockMovement,
    StockTarget,
    SuppliedBy,
)
from resupply.rules.kinds import Kind
from resupply.services.demo.clinic import Clinic, Item
from resupply.services.demo.dates import weekday_by
from resupply.services.demo.people import SIGNATURE_REFERENCE
from resupply.services.records import Stamp, stamp
from resupply.services.shelves import rebuild_levels

SINCE = timedelta(days=28)
USUAL = {
    Kind.MASK: 4,
    Kind.CUSHION: 7,
    Kind.HEADGEAR: 4,
    Kind.TUBING: 9,
    Kind.FILTER_DISPOSABLE: 24,
    Kind.FILTER_REUSABLE: 6,
    Kind.CHAMBER: 5,
}
"""Units of an item on a shelf, more or less; of other kinds 3."""

_Lot = tuple[int, str, date | None]
"""Item, lot, expiry."""

TUBING, FILTERS, CHAMBER = Item("A7037"), Item("A7038"), Item("A7046")
OLD, GONE, TORN = Item("A7033", "Birch", size="M"), Item("A7032", "Aspen", size="S"), Item("A7035", "Cedar")


def lot_of(item: CatalogueItem, on: date) -> str:
    """The lot that the clinic had of an item: one for each half year."""
    key = f"{item.name} {item.size} {on.year} {on.month > 6}"
    return f"D{crc32(key.encode()) % 10**5:05}"


def expiry_of(item: CatalogueItem, on: date) -> date | None:
    """The expiry of that lot, three years on; masks and cushions name one, other parts do not."""
    return date(on.year + 3, 7 if on.month > 6 else 1, 1) if item.kind in (Kind.MASK, Kind.CUSHION) else None


@dataclass(frozen=True, slots=True)
class Room:
    """One location's shelves being filled."""

    place: Location
    clinic: Clinic
    today: date
    now: datetime

    @property
    def opened_on(self) -> date:
        """The day stock began to be tracked."""
        return weekday_by(self.today - SINCE)

    def ago(self, days: int) -> date:
        """A weekday about so many days ago."""
        return weekday_by(self.today - timedelta(days=days))

    def mark(self, on: date, hour: int) -> Stamp:
        """Recorded at the desk in an hour of a day, never later than now."""
        at = datetime.combine(on, time(hour), ZoneInfo(self.place.time_zone))
        return stamp(self.clinic.desk, min(at, self.now))

    def row(
        self, movement: Movement, item: CatalogueItem, quantity: int, on: date, **more: object
    ) -> StockMovement:
        """A movement of the lot that lay there when tracking began, or of the lot in `more`."""
        values = {"lot": lot_of(item, self.opened_on), "expires_on": expiry_of(item, self.opened_on)} | more
        hour = 8 if movement == Movement.RECEIVED else 17
        return StockMovement(
            location=self.place, item=item, movement=movement, quantity=quantity, on=on,
            **values, **self.mark(on, hour),
        )  # fmt: skip


def write_stock(clinic: Clinic, *, today: date, now: datetime) -> None:
    """Fill the shelves of every location, after the dispenses are written."""
    rooms = [Room(place, clinic, today, now) for place in clinic.locations]
    rows = [row for number, room in enumerate(rooms) for row in _story(room, number)] + _moved(rooms)
    rows.sort(key=lambda row: (row.recorded_at, row.location_id))
    StockMovement.objects.bulk_create(rows)
    Location.objects.filter(pk__in=[room.place.pk for room in rooms]).update(tracks_stock=True)
    StockTarget.objects.bulk_create(target for room in rooms for target in _targets(room))
    _back_orders(rooms)
    rebuild_levels()


def _usual(item: CatalogueItem) -> int:
    return USUAL.get(Kind(item.kind), 3)


def _story(room: Room, number: int) -> list[StockMovement]:
    """One room's movements: what it began with, what it gave, and what happened besides."""
    given = list(
        DispenseLine.objects.filter(
            dispense__location=room.place,
            dispense__dispensed_on__gte=room.opened_on,
            dispense__supplied_by=SuppliedBy.US,
            item__isnull=False,
            voided_at=None,
        )
        .select_related("item", "dispense")
        .order_by("dispense__dispensed_on", "pk")
    )
    rows = [*_opening(room, number, given), *(_first_room(room) if number == 0 else _second_room(room))]
    for line in given:
        if line.item is not None:
            row = room.row(
                Movement.DISPENSED, line.item, -line.quantity, line.dispense.dispensed_on,
                lot=line.lot, expires_on=line.expires_on, dispense_line=line,
            )  # fmt: skip
            row.recorded_at, row.recorded_by_id = line.recorded_at, line.recorded_by_id
            rows.append(row)
    return rows


def _opening(room: Room, number: int, given: list[DispenseLine]) -> Iterator[StockMovement]:
    """What lay on the shelves when tracking began: enough for what was given since, and the usual stock.

    In the second room one lot was dispensed once more than was on record.
    """
    shelf = {item.pk: item for item in room.clinic.shelf.values()}
    tubing = room.clinic.shelf[TUBING]
    needed: defaultdict[_Lot, int] = defaultdict(int)
    for line in given:
        needed[line.item_id or 0, line.lot, line.expires_on] += line.quantity
    short = next((key for key in needed if number and shelf[key[0]].kind == Kind.CUSHION), None)
    for item in shelf.values():
        own = item.pk, lot_of(item, room.opened_on), expiry_of(item, room.opened_on)
        if own != short:
            needed[own] += 2 if item == tubing and number == 0 else _usual(item)
    if short is not None:
        needed[short] -= 1
    for (item_id, lot, expires_on), quantity in needed.items():
        if quantity:
            yield room.row(
                Movement.RECEIVED, shelf[item_id], quantity, room.opened_on, lot=lot, expires_on=expires_on,
                note="on the shelf when tracking began",
            )  # fmt: skip


def _first_room(room: Room) -> list[StockMovement]:
    """A lot that expires soon, one that has expired, parts thrown away, and a slip taken back."""
    shelf = room.clinic.shelf
    soon = {"lot": "D40117", "expires_on": room.today + timedelta(days=24)}
    gone = {"lot": "D38852", "expires_on": room.today - timedelta(days=9)}
    slip = room.row(Movement.RECEIVED, shelf[CHAMBER], 30, room.ago(6))
    slip.voided_at, slip.voided_by_id = slip.recorded_at + timedelta(minutes=3), slip.recorded_by_id
    slip.void_reason = "typed 30, it was 3"
    return [
        room.row(Movement.RECEIVED, shelf[OLD], 3, room.opened_on, note="oldest box", **soon),
        room.row(Movement.RECEIVED, shelf[GONE], 2, room.opened_on, note="oldest box", **gone),
        room.row(Movement.DISCARDED, shelf[TORN], -1, room.ago(11), note="bag torn, strap dirty"),
        slip,
        room.row(Movement.RECEIVED, shelf[CHAMBER], 3, room.ago(6), note="delivery of the week"),
    ]


def _second_room(room: Room) -> list[StockMovement]:
    """A count that found one filter fewer."""
    count = StockCount.objects.create(
        location=room.place,
        counted_on=room.ago(4),
        note="monthly count of filters",
        **room.mark(room.ago(4), 16),
    )
    filters = room.clinic.shelf[FILTERS]
    return [
        room.row(Movement.RECEIVED, filters, 12, room.ago(9), note="delivery of the week"),
        room.row(Movement.COUNTED, filters, -1, room.ago(4), count=count),
    ]


def _moved(rooms: list[Room]) -> list[StockMovement]:
    """Filters that went from the first room to the second."""
    source, target = rooms[0], rooms[1]
    filters, pair = source.clinic.shelf[FILTERS], UUID(int=crc32(b"filters moved"))
    return [
        room.row(
            Movement.MOVED, filters, quantity, source.ago(7), pair=pair, note="the second room ran short",
            lot=lot_of(filters, source.opened_on), expires_on=None,
        )
        for room, quantity in ((source, -8), (target, 8))
    ]  # fmt: skip


def _targets(room: Room) -> list[StockTarget]:
    """Targets for what goes out most."""
    kept = [
        item
        for item in room.clinic.shelf.values()
        if item.kind not in (Kind.MASK, Kind.CUSHION) or item.size == "M"
    ]
    return [
        StockTarget(
            location=room.place, item=item, low_at=_usual(item) // 3, order_up_to=_usual(item) * 3 // 2
        )
        for item in kept
    ]


def _back_orders(rooms: list[Room]) -> None:
    """In each room one patient waits: a day is known for the first, none yet for the second."""
    for number, (room, wanted) in enumerate(zip(rooms, (TUBING, CHAMBER), strict=False)):
        item = room.clinic.shelf[wanted]
        patient = (
            Patient.objects.filter(
                status=PatientStatus.ON_THERAPY, location=room.place, dispenses__lines__item=item
            )
            .exclude(reference=SIGNATURE_REFERENCE)
            .order_by("reference")
            .first()
        )
        if patient is None:
            continue
        ordered_on = room.ago(3)
        BackOrder.objects.create(
            patient=patient, location=room.place, item=item, kind=item.kind, part_code=item.part_code,
            quantity=1, ordered_on=ordered_on,
            expected_on=_weekday_from(room.today + timedelta(days=6)) if number == 0 else None,
            note="will collect it" if number == 0 else "supplier gives no day yet",
            **room.mark(ordered_on, 12),
        )  # fmt: skip


def _weekday_from(day: date) -> date:
    """The day, or the Monday after a weekend."""
    return day + timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)
