"""What leads decide about stock: from how few an item is low and up to how many to order, and whether a
location tracks stock at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import transaction

from resupply.models import CatalogueItem, Location, StockTarget
from resupply.services.errors import Refused

MOST = 5000
"""More than any shelf holds of one item: a larger number is a slip of the keyboard."""


@dataclass(frozen=True, slots=True)
class Target:
    """From how few on the shelf an item is low, and up to how many to order; both None: no target."""

    item: CatalogueItem
    low_at: int | None
    order_up_to: int | None


def set_targets(location: Location, targets: Sequence[Target]) -> int:
    """Store what differs; returns how many targets changed. An item without target is never low.

    Raises Refused with `row`: `half_target`, `number`, `order_up_to`.
    """
    for place, target in enumerate(targets):
        _check(target, place)
    wanted = {target.item.pk: (target.low_at or 0, target.order_up_to or 0) for target in targets}
    with transaction.atomic():
        stored = {row.item_id: row for row in StockTarget.objects.filter(location=location, item__in=wanted)}
        changed = []
        for item_id, numbers in wanted.items():
            row = stored.get(item_id) or StockTarget(
                location=location, item_id=item_id, low_at=0, order_up_to=0
            )
            if (row.low_at, row.order_up_to) != numbers:
                row.low_at, row.order_up_to = numbers
                changed.append(row)
        StockTarget.objects.bulk_create(
            changed,
            update_conflicts=True,
            unique_fields=["location", "item"],
            update_fields=["low_at", "order_up_to"],
        )
    return len(changed)


def track_stock(location: Location, *, is_on: bool) -> Location:
    """Let dispenses at a location take from its stock, or no longer. The ledger stays as it is."""
    location.tracks_stock = is_on
    location.save(update_fields=["tracks_stock"])
    return location


def _check(target: Target, row: int) -> None:
    """Refuse numbers that are no target."""
    numbers = [("low_at", target.low_at), ("order_up_to", target.order_up_to)]
    for name, number in numbers:
        if number is not None and not 0 <= number <= MOST:
            raise Refused("number", f"Enter a number from 0 to {MOST}.", name, row=row)
    if (target.low_at is None) != (target.order_up_to is None):
        missing = "low_at" if target.low_at is None else "order_up_to"
        raise Refused(
            "half_target", "A target needs both numbers; for none, leave both empty.", missing, row=row
        )
    if target.low_at is not None and target.order_up_to is not None and target.order_up_to <= target.low_at:
        raise Refused(
            "order_up_to", "Order up to more than the number from which it is low.", "order_up_to", row=row
        )
