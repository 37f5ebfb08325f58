"""What staff do to the shelves of a location: receive, move, discard, and take a slip of the keyboard back.

A form sent twice is recorded once: its key names the rows it wrote.
"""

from collections.abc import Sequence
from datetime import date, datetime
from uuid import UUID, uuid4, uuid5

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction

from resupply.models import Location, Movement, StockMovement
from resupply.services.errors import Refused
from resupply.services.records import check_expiry, check_reason, local_day, said, take_back
from resupply.services.shelves import Act, Key, Shelves, StockLine, short

MOST_UNITS = 5000
"""More units than come or go in one row: a larger number is a slip of the keyboard."""


def receive(
    *,
    location: Location,
    lines: Sequence[StockLine],
    received_on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    note: str = "",
    form_key: UUID | None = None,
) -> list[StockMovement]:
    """Put parts on the shelf. The first receive of a location makes it track stock.

    Raises Refused: `no_lines`, `future`, `form_used`; with `row`: `quantity`, `lot_long`, `expiry_far`,
    `expired`.
    """
    check_lines(location, lines, received_on, now, field="received_on")
    for row, line in enumerate(lines):
        if line.expires_on and line.expires_on < received_on:
            said_so = f"This part expired on {said(line.expires_on)}. Do not put it on the shelf."
            raise Refused("expired", said_so, "expires_on", row=row)
    act = Act(movement=Movement.RECEIVED, on=received_on, by=by, now=now, note=note)
    with transaction.atomic():
        hold_form(form_key)
        shelves = _lock([location], lines)
        rows = [act.row(shelves.key(location.pk, line), line.quantity) for line in lines]
        if earlier := _sent_before(form_key, rows):
            return earlier
        is_first = not StockMovement.objects.filter(location=location).exists()
        shelves.post(rows)
        if is_first:
            Location.objects.filter(pk=location.pk).update(tracks_stock=True)
            location.tracks_stock = True
    return rows


def move(
    *,
    source: Location,
    target: Location,
    lines: Sequence[StockLine],
    moved_on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    note: str = "",
    form_key: UUID | None = None,
) -> list[StockMovement]:
    """Move parts to another location: both halves of every row, or nothing.

    Raises Refused: `no_lines`, `future`, `same_location`, `not_tracked`, `form_used`; with `row`: `quantity`,
    `lot_long`, `expiry_far`, `not_in_stock`.
    """
    check_lines(source, lines, moved_on, now, field="moved_on")
    if source.pk == target.pk:
        raise Refused("same_location", "Choose another location than the one they come from.", "target")
    if not target.tracks_stock:
        said_so = f"{target.name} does not track stock yet. Receive the parts there instead."
        raise Refused("not_tracked", said_so, "target")
    act = Act(movement=Movement.MOVED, on=moved_on, by=by, now=now, note=note)
    with transaction.atomic():
        hold_form(form_key)
        shelves = _lock([source, target], lines)
        rows = []
        for line in lines:
            here, there = (shelves.key(place.pk, line) for place in (source, target))
            halves = [act.row(here, -line.quantity), act.row(there, line.quantity)]
            halves[0].pair = halves[1].pair = uuid4()
            rows += halves
        if earlier := _sent_before(form_key, rows):
            return earlier
        _check_there(shelves, rows[::2])
        shelves.post(rows)
    return rows


def discard(
    *,
    location: Location,
    lines: Sequence[StockLine],
    discarded_on: date,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
    form_key: UUID | None = None,
) -> list[StockMovement]:
    """Throw parts away, with the reason.

    Raises Refused: `no_lines`, `future`, `reason_missing`, `reason_long`, `form_used`; with `row`:
    `quantity`, `lot_long`, `expiry_far`, `not_in_stock`.
    """
    check_lines(location, lines, discarded_on, now, field="discarded_on")
    act = Act(movement=Movement.DISCARDED, on=discarded_on, by=by, now=now, note=check_reason(reason))
    with transaction.atomic():
        hold_form(form_key)
        shelves = _lock([location], lines)
        rows = [act.row(shelves.key(location.pk, line), -line.quantity) for line in lines]
        if earlier := _sent_before(form_key, rows):
            return earlier
        _check_there(shelves, rows)
        shelves.post(rows)
    return rows


def void_movement(
    movement: StockMovement, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> list[StockMovement]:
    """Take a movement back, a slip of the keyboard; of a move, both halves.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`, `of_dispense` (void the dispense
    instead), `below_zero` where the parts have left the shelf since.
    """
    if movement.dispense_line_id:
        said_so = "This movement belongs to a dispense. Void the dispense, and stock follows."
        raise Refused("of_dispense", said_so)
    with transaction.atomic():
        halves = [movement]
        if movement.pair:
            halves = list(StockMovement.objects.filter(pair=movement.pair).order_by("pk"))
        shelves = Shelves.lock_of(halves)
        for half in halves:
            take_back(half, reason=reason, by=by, now=now)
            if half.quantity > max(shelves.free[Key.of(half)], 0):
                said_so = "Some of these parts have left the shelf since. Count the shelf instead."
                raise Refused("below_zero", said_so)
        shelves.undo(halves)
    return halves


def check_lines(
    location: Location, lines: Sequence[StockLine], on: date, now: datetime, *, field: str, least: int = 1
) -> None:
    """Refuse what is wrong whatever the shelf holds; `field` names the day's field."""
    if not lines:
        raise Refused("no_lines", "Enter a number for at least one part.")
    if on > local_day(now, location.time_zone):
        raise Refused("future", f"{said(on)} has not come yet. Enter the day it happened.", field)
    for row, line in enumerate(lines):
        if not least <= line.quantity <= MOST_UNITS:
            raise Refused("quantity", f"Enter a number from {least} to {MOST_UNITS}.", "quantity", row=row)
        if len(line.lot.strip()) > 40:
            raise Refused("lot_long", "A lot has at most 40 characters.", "lot", row=row)
        check_expiry(line.expires_on, on, row)


def hold_form(form_key: UUID | None) -> None:
    """Make a second press of one form wait until the first is written. Take it before any row is locked."""
    if form_key is not None:
        with connection.cursor() as cursor:
            key = int.from_bytes(form_key.bytes[:8], "big", signed=True)
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [key])


def _lock(places: Sequence[Location], lines: Sequence[StockLine]) -> Shelves:
    return Shelves.lock([place.pk for place in places], {line.item.pk for line in lines})


def _check_there(shelves: Shelves, rows: Sequence[StockMovement]) -> None:
    """Refuse to take more of a lot than the shelf holds, a row of the form each."""
    for row, movement in enumerate(rows):
        key = Key.of(movement)
        if shelves.free[key] + movement.quantity < 0:
            raise Refused("not_in_stock", short(max(shelves.free[key], 0)), "quantity", row=row)
        shelves.free[key] += movement.quantity


def _sent_before(form_key: UUID | None, rows: Sequence[StockMovement]) -> list[StockMovement]:
    """What a form with this key has written already; else its key gives the rows their names.

    Raises Refused `form_used` where it wrote something else, or what it wrote was voided.
    """
    if form_key is None:
        return []
    for place, row in enumerate(rows):
        row.public_id = uuid5(form_key, str(place))
    if not StockMovement.objects.filter(public_id=uuid5(form_key, "0")).exists():
        return []
    names = [row.public_id for row in rows] + [uuid5(form_key, str(len(rows)))]
    earlier = {row.public_id: row for row in StockMovement.objects.filter(public_id__in=names).order_by("pk")}
    if [*map(_said, earlier.values())] != [*map(_said, rows)]:
        raise Refused("form_used", "This form was sent before, with other entries. Open a new one.")
    if any(row.is_voided for row in earlier.values()):
        raise Refused("form_used", "What this form recorded was voided since. Open a new one.")
    return list(earlier.values())


def _said(row: StockMovement) -> tuple[object, ...]:
    """What a row of a form says."""
    return (row.public_id, Key.of(row), row.movement, row.quantity, row.on, row.note)
