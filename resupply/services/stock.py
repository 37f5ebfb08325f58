"""What dispenses do to stock: their lines are taken out, and put back where a correction takes them back.

Called inside the transaction of the dispense or correction, after its patients are locked. Nothing goes below
zero but where a clerk insists (`allow_short`): the parts are in their hand, so the shelf has to be counted.
What staff do to the shelves themselves stands in `stocking` and `counts`.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db.models import Q, Sum

from resupply.models import DispenseLine, Location, Movement, StockMovement
from resupply.services.errors import Refused
from resupply.services.records import local_day, take_back
from resupply.services.shelves import Act, Key, Shelves, StockLine, short


def take_out(
    lines: Sequence[DispenseLine],
    *,
    location: Location,
    on: date,
    allow_short: bool,
    by: AbstractBaseUser | None,
    now: datetime,
) -> None:
    """Take the parts of dispense lines off the shelf; lines without an item are not in the catalogue, and
    no stock is kept of them. Does nothing where the location does not track stock.

    From the lot that the line names, or where it names none, from what expires first and has not expired.
    Raises Refused `not_in_stock`, `row` being the place of the line in `lines`, unless `allow_short`.
    """
    if not location.tracks_stock or not any(line.item_id for line in lines):
        return
    shelves = Shelves.lock([location.pk], {line.item_id for line in lines if line.item_id})
    act = Act(movement=Movement.DISPENSED, on=on, by=by, now=now)
    rows: list[StockMovement] = []
    for place, line in enumerate(lines):
        if line.item is None:
            continue
        wanted = StockLine(item=line.item, quantity=line.quantity, lot=line.lot, expires_on=line.expires_on)
        picked, missing = _pick(shelves, location, wanted, on)
        if missing and not allow_short:
            raise Refused("not_in_stock", short(line.quantity - missing), "quantity", row=place)
        for key, quantity in picked:
            rows.append(act.row(key, -quantity))
            rows[-1].dispense_line = line
    shelves.post(rows)


def put_back(
    lines: Sequence[DispenseLine], *, to_shelf: bool, by: AbstractBaseUser | None, now: datetime
) -> None:
    """Put what dispense lines took out back on the shelf it came from; without `to_shelf` it is discarded at
    once, and the ledger shows both. A line that took nothing, or is back already, is left alone.
    """
    ledger = _of_lines(lines)
    shelves = Shelves.lock_of(ledger)
    zones = {movement.location_id: movement.location.time_zone for movement in ledger}
    with_patient: defaultdict[tuple[int, Key], int] = defaultdict(int)
    for movement in ledger:
        if movement.dispense_line_id and movement.movement != Movement.DISCARDED:
            with_patient[movement.dispense_line_id, Key.of(movement)] -= movement.quantity
    rows: list[StockMovement] = []
    for (line_id, key), quantity in with_patient.items():
        if quantity <= 0:
            continue
        on = local_day(now, zones[key.location_id])
        back = [Act(movement=Movement.RETURNED, on=on, by=by, now=now).row(key, quantity)]
        if not to_shelf:
            back.append(Act(movement=Movement.DISCARDED, on=on, by=by, now=now).row(key, -quantity))
        for row in back:
            row.dispense_line_id = line_id
        rows += back
    shelves.post(rows)


def take_again(lines: Sequence[DispenseLine], *, by: AbstractBaseUser | None, now: datetime) -> None:
    """Undo `put_back` of these lines: what came back is with the patient after all.

    Raises Refused `given_since` where it has left the shelf since: a level may fall below zero no further
    than it was before.
    """
    ledger = _of_lines(lines)
    shelves = Shelves.lock_of(ledger)
    undone = [movement for movement in ledger if movement.movement != Movement.DISPENSED]
    leaves = Counter[Key]()
    for movement in undone:
        leaves[Key.of(movement)] += movement.quantity
    for key, quantity in leaves.items():
        if quantity > 0 and shelves.free[key] - quantity < min(_before(key, undone), 0):
            raise Refused(
                "given_since",
                "The parts went back on the shelf, and have left it since: given to somebody else, moved, "
                "discarded or counted. Count the shelf, and log the dispense again with the lot given.",
            )
    for movement in undone:
        take_back(movement, reason="The void of the dispense was undone", by=by, now=now)
    shelves.undo(undone)


def _before(key: Key, undone: Sequence[StockMovement]) -> int:
    """What was on hand before parts came back by these movements."""
    first = min(undone, key=lambda movement: movement.pk)
    stood = Q(voided_at=None) | Q(voided_at__gte=first.recorded_at)
    earlier = StockMovement.objects.filter(
        stood,
        location=key.location_id,
        item=key.item_id,
        lot=key.lot,
        expires_on=key.expires_on,
        pk__lt=first.pk,
    )
    total: int | None = earlier.aggregate(total=Sum("quantity"))["total"]
    return total or 0


def _of_lines(lines: Sequence[DispenseLine]) -> list[StockMovement]:
    """The standing movements of dispense lines, in the order they were written."""
    found = StockMovement.objects.filter(dispense_line__in=lines, voided_at=None)
    return list(found.select_related("location").order_by("pk"))


def _pick(
    shelves: Shelves, location: Location, wanted: StockLine, on: date
) -> tuple[list[tuple[Key, int]], int]:
    """From which lots the parts come, and how many are missing.

    The lot and expiry that the line names come first; where it names no lot or no expiry, any that fits and
    has not expired. What is missing is taken all the same, from the lot named.
    """
    named = shelves.key(location.pk, wanted)
    fitting = [
        key for key in shelves.of(location.pk, wanted.item.pk) if key != named and _fits(key, wanted, on)
    ]
    picked, missing = [], wanted.quantity
    for key in [named, *fitting]:
        taken = min(missing, max(shelves.free[key], 0))
        if taken:
            picked.append((key, taken))
            missing -= taken
    if missing:
        picked.append((fitting[0] if wanted.lot and fitting and named not in shelves else named, missing))
    for key, quantity in picked:
        shelves.free[key] -= quantity
    return picked, missing


def _fits(key: Key, wanted: StockLine, on: date) -> bool:
    """Whether a level is one the line may have meant."""
    lot = wanted.lot.strip().casefold()
    return (
        (not lot or key.lot.casefold() == lot)
        and (wanted.expires_on is None or key.expires_on == wanted.expires_on)
        and (key.expires_on is None or key.expires_on >= on)
    )
