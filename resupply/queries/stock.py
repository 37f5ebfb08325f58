"""What is on the shelves: lots to dispense from, levels by item, what is low, what expires soon."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TypeVar

from django.db.models import F, Q, QuerySet

from resupply.models import BackOrder, CatalogueItem, Location, StockLevel, StockMovement, StockTarget
from resupply.queries.recalls import RecallFacts, hits, standing
from resupply.rules.kinds import PLACE

R = TypeVar("R", StockLevel, StockTarget)

PAGE = 50
"""Movements on a page."""

EXPIRES_SOON = 60
"""Days within which a lot is listed as expiring unless asked otherwise: two months to use it up."""


@dataclass(frozen=True, slots=True)
class Lot:
    """So many units on the shelf of one lot and expiry (None: the pack names none).

    `recall` is the title of a standing recall that names it.
    """

    lot: str
    expires_on: date | None
    on_hand: int
    recall: str = ""

    def has_expired(self, *, today: date) -> bool:
        """Whether it must not be dispensed any more."""
        return self.expires_on is not None and self.expires_on < today


@dataclass(slots=True)
class Shelf:
    """One item at one location with its lots, what expires first first."""

    location: Location
    item: CatalogueItem
    lots: list[Lot] = field(default_factory=list)
    target: StockTarget | None = None

    @property
    def on_hand(self) -> int:
        """Units on hand of all lots, expired ones too."""
        return sum(lot.on_hand for lot in self.lots)

    def usable(self, *, today: date) -> int:
        """Units that may be dispensed: neither expired nor recalled, less what lots below zero owe."""
        return sum(lot.on_hand for lot in self.lots if not (lot.recall or lot.has_expired(today=today)))

    def is_low(self, *, today: date) -> bool:
        """Whether it fell to its target's mark; a target of 0 and 0 is none."""
        target = self.target
        return bool(target and target.order_up_to and self.usable(today=today) <= target.low_at)

    def to_order(self, *, today: date) -> int:
        """How many to order to come up to the target; 0 where it is not low."""
        if self.target is None or not self.is_low(today=today):
            return 0
        return max(self.target.order_up_to - max(self.usable(today=today), 0), 0)

    @property
    def is_below_zero(self) -> bool:
        """Whether some lot was dispensed beyond what was on record: the shelf has to be counted."""
        return any(lot.on_hand < 0 for lot in self.lots)

    @property
    def is_recalled(self) -> bool:
        """Whether something on the shelf is recalled."""
        return any(lot.recall and lot.on_hand > 0 for lot in self.lots)

    @property
    def expires_first(self) -> date | None:
        """The nearest expiry among what is on hand."""
        return min((lot.expires_on for lot in self.lots if lot.on_hand > 0 and lot.expires_on), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockFilter:
    """Which shelves; None or False: all. `within` days counts expired lots in."""

    location_ids: frozenset[int] | None = None
    kind: str = ""
    item_id: int | None = None
    low: bool = False
    within: int | None = None
    below_zero: bool = False
    recalled: bool = False


def lots(location_id: int, item_ids: Collection[int], *, today: date) -> dict[int, list[Lot]]:
    """What there is to dispense of these items, first expiring first; expired and recalled lots left out.
    Two queries.
    """
    rows = StockLevel.objects.filter(
        Q(expires_on=None) | Q(expires_on__gte=today),
        location=location_id,
        item__in=item_ids,
        on_hand__gt=0,
    ).order_by("item_id", F("expires_on").asc(nulls_last=True), "lot")
    recalls = standing()
    found: dict[int, list[Lot]] = {}
    for row in rows.select_related("item"):
        if not recall_of(recalls, row.item, row.lot):
            found.setdefault(row.item_id, []).append(Lot(row.lot, row.expires_on, row.on_hand))
    return found


def recall_of(recalls: Sequence[RecallFacts], item: CatalogueItem, lot: str) -> str:
    """The title of the recall that names a lot of an item; empty where none does."""
    found = hits(recalls, item_id=item.pk, family=item.family, part_code=item.part_code, lot=lot)
    return found.title if found else ""


def levels(wanted: StockFilter, *, today: date) -> list[Shelf]:
    """The shelves that hold something, owe something, or have a target, by kind, item and location.

    Three queries, whatever their number.
    """
    shelves: dict[tuple[int, int], Shelf] = {}
    recalls = standing()
    for row in _narrowed(StockLevel.objects.exclude(on_hand=0), wanted).order_by(
        F("expires_on").asc(nulls_last=True), "lot"
    ):
        shelf = shelves.setdefault((row.location_id, row.item_id), Shelf(row.location, row.item))
        recall = recall_of(recalls, row.item, row.lot)
        shelf.lots.append(Lot(row.lot, row.expires_on, row.on_hand, recall))
    for target in _narrowed(StockTarget.objects.filter(order_up_to__gt=0), wanted):
        key = (target.location_id, target.item_id)
        shelves.setdefault(key, Shelf(target.location, target.item)).target = target
    kept = [shelf for shelf in shelves.values() if _is_wanted(shelf, wanted, today)]
    return sorted(kept, key=lambda shelf: (*_part_order(shelf.item), shelf.location.name))


def low(location_ids: Collection[int], *, today: date) -> list[Shelf]:
    """Shelves that fell to their target's mark (no locations: all of them)."""
    return levels(StockFilter(location_ids=frozenset(location_ids) or None, low=True), today=today)


def expiring(location_ids: Collection[int], *, today: date, within: int = EXPIRES_SOON) -> list[Shelf]:
    """Shelves with a lot that has expired or will within so many days (no locations: all of them)."""
    return levels(StockFilter(location_ids=frozenset(location_ids) or None, within=within), today=today)


def sheet(location_id: int, *, kind: str = "", at_most: int) -> list[StockLevel]:
    """The lots of a location with anything on hand or owed, by kind, item and expiry. One query."""
    rows = StockLevel.objects.exclude(on_hand=0).filter(location=location_id).select_related("item")
    if kind:
        rows = rows.filter(item__kind=kind)
    soonest = rows.order_by("item__kind", "item", F("expires_on").asc(nulls_last=True), "lot")[:at_most]
    return sorted(soonest, key=lambda row: _part_order(row.item))


def begun(location_ids: Collection[int]) -> set[int]:
    """Those of the locations where stock ever moved."""
    rows = StockMovement.objects.filter(location__in=location_ids)
    return set(rows.order_by().values_list("location", flat=True).distinct())


def offered() -> list[CatalogueItem]:
    """The items the clinic offers, by kind and name."""
    return sorted(CatalogueItem.objects.filter(is_offered=True), key=_part_order)


def item_named(*, gtin: str, hibc: str) -> CatalogueItem | None:
    """The item with a GTIN of 14 digits, or with labeler and product of an HIBC code; offered or not."""
    if not gtin and not hibc:
        return None
    return CatalogueItem.objects.filter(**({"gtin": gtin} if gtin else {"hibc": hibc})).first()


def targets(location_id: int) -> dict[int, StockTarget]:
    """The targets of a location by item; those of 0 and 0 are none and left out."""
    rows = StockTarget.objects.filter(location=location_id, order_up_to__gt=0)
    return {row.item_id: row for row in rows}


def movements(
    item: CatalogueItem, location_ids: Collection[int], *, before: int | None = None
) -> tuple[list[StockMovement], int | None]:
    """A page of an item's ledger at these locations (none: all), newest first, voided rows too; and where
    the next page goes on (None: nowhere). One query.
    """
    rows = StockMovement.objects.filter(item=item)
    if location_ids:
        rows = rows.filter(location__in=sorted(location_ids))
    if before is not None:
        rows = rows.filter(pk__lt=before)
    found = list(
        rows.select_related(
            "location", "recorded_by", "voided_by", "count", "dispense_line__dispense__patient"
        ).order_by("-pk")[: PAGE + 1]
    )
    return found[:PAGE], found[PAGE - 1].pk if len(found) > PAGE else None


def open_back_orders(
    location_ids: Collection[int], *, patient_id: int | None = None, expected_by: date | None = None
) -> list[BackOrder]:
    """Back orders that wait, of patients of these locations (none: everywhere), the day they are expected on
    first, unknown days last; with `expected_by` only those expected by that day. One query.
    """
    rows = BackOrder.objects.filter(filled_by=None, voided_at=None)
    if location_ids:
        rows = rows.filter(patient__location__in=sorted(location_ids))
    if patient_id is not None:
        rows = rows.filter(patient=patient_id)
    if expected_by is not None:
        rows = rows.filter(expected_on__lte=expected_by)
    rows = rows.select_related("patient", "location", "item")
    return list(rows.order_by(F("expected_on").asc(nulls_last=True), "pk"))


def _part_order(item: CatalogueItem) -> tuple[int, str, str]:
    """Where an item stands in a list: kinds in their usual order, then name and size."""
    return PLACE[item.kind], item.name, item.size


def _narrowed(rows: QuerySet[R], wanted: StockFilter) -> QuerySet[R]:
    rows = rows.select_related("location", "item")
    if wanted.location_ids is not None:
        rows = rows.filter(location__in=sorted(wanted.location_ids))
    if wanted.item_id is not None:
        rows = rows.filter(item=wanted.item_id)
    return rows.filter(item__kind=wanted.kind) if wanted.kind else rows


def _is_wanted(shelf: Shelf, wanted: StockFilter, today: date) -> bool:
    if wanted.low and not shelf.is_low(today=today):
        return False
    if wanted.below_zero and not shelf.is_below_zero:
        return False
    if wanted.recalled and not shelf.is_recalled:
        return False
    if wanted.within is not None:
        first = shelf.expires_first
        return first is not None and first <= today + timedelta(days=wanted.within)
    return True
