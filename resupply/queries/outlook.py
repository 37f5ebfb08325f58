"""The outlook as last worked out: demand by week and item, against the shelves, and the clinic's own pace."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Sum

from resupply.models import BackOrder, CatalogueItem, Location, OutlookRow, OutlookRun
from resupply.queries.stock import Shelf as StockShelf
from resupply.queries.stock import StockFilter, levels
from resupply.rules.demand import WEEKS, Order, Shelf, normal_range, order
from resupply.rules.kinds import PLACE


@dataclass(frozen=True, slots=True)
class Week:
    """One week: units on time, at the clinic's own pace, and between which numbers."""

    begins_on: date
    on_time: int
    expected: float
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class ItemDemand:
    """One item at one location; `order`: what to order (None: it lasts, or stock is not tracked there)."""

    row: OutlookRow
    shelf: Shelf | None
    order: Order | None
    order_by: date | None
    short_on: date | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Everything the page shows of a run; `later` units come after the last week, or nobody knows when."""

    run: OutlookRun
    weeks: list[Week]
    items: list[ItemDemand]
    later_on_time: int
    later: float

    @property
    def on_time(self) -> int:
        """Units needed on time in all weeks."""
        return sum(week.on_time for week in self.weeks)

    @property
    def expected(self) -> float:
        """Units expected at the clinic's own pace in all weeks."""
        return sum(week.expected for week in self.weeks)

    @property
    def to_order(self) -> list[ItemDemand]:
        """What to order now, what runs short first."""
        now = [item for item in self.items if item.order is not None and item.order.is_now]
        return sorted(now, key=lambda item: item.order.short_week if item.order else 0)

    @property
    def to_order_later(self) -> list[ItemDemand]:
        """What to order within the weeks ahead, the nearest first."""
        later = [item for item in self.items if item.order is not None and not item.order.is_now]
        return sorted(later, key=lambda item: item.order.weeks if item.order else 0)


def newest() -> OutlookRun | None:
    """The run that is shown. One query."""
    return OutlookRun.objects.filter(is_done=True).first()


def outlook(run: OutlookRun, location_ids: Collection[int], *, kind: str = "", today: date) -> Outlook:
    """A run at some locations, of one kind or all. Five queries or six, whatever there is."""
    rows = OutlookRow.objects.filter(run=run, location__in=sorted(location_ids))
    rows = rows.filter(kind=kind) if kind else rows
    found = sorted(rows.select_related("location", "item"), key=_place)
    wanted = StockFilter(location_ids=frozenset(location_ids), kind=kind)
    shelves = {(one.location.pk, one.item.pk): one for one in levels(wanted, today=today)}
    owed = _owed(location_ids)
    return Outlook(
        run=run,
        weeks=_weeks(run, found),
        items=[
            _item(row, run, shelves.get((row.location_id, row.item_id or 0)), owed, today) for row in found
        ],
        later_on_time=sum(row.later_on_time for row in found),
        later=sum(row.later for row in found),
    )


def _place(row: OutlookRow) -> tuple[int, str, str, str]:
    return PLACE[row.kind], row.item.name if row.item else row.part_code, str(row.item), row.location.name


def _weeks(run: OutlookRun, rows: Sequence[OutlookRow]) -> list[Week]:
    """All rows together; the range of one row is its own, that of several by the normal curve."""
    weeks = []
    for week in range(WEEKS):
        expected = sum(row.expected[week] for row in rows)
        if len(rows) == 1:
            low, high = rows[0].low[week], rows[0].high[week]
        else:
            low, high = normal_range(expected, sum(row.variance[week] for row in rows))
        on_time = sum(row.on_time[week] for row in rows)
        weeks.append(Week(run.first_day + timedelta(weeks=week), on_time, expected, low, high))
    return weeks


def _item(
    row: OutlookRow,
    run: OutlookRun,
    found: StockShelf | None,
    owed: dict[tuple[int, int], int],
    today: date,
) -> ItemDemand:
    """What to order of an item at a location that tracks stock."""
    if row.item_id is None or not row.location.tracks_stock:
        return ItemDemand(row, None, None, None, None)
    target = found.target if found else None
    shelf = Shelf(
        found.usable(today=today) if found else 0,
        owed.get((row.location_id, row.item_id), 0),
        target.low_at if target else 0,
        target.order_up_to if target else 0,
    )
    due = order(shelf, row.expected, row.variance)
    if due is None:
        return ItemDemand(row, shelf, None, None, None)
    by, short = run.first_day + timedelta(weeks=due.weeks), run.first_day + timedelta(weeks=due.short_week)
    return ItemDemand(row, shelf, due, by, short)


def _owed(location_ids: Iterable[int]) -> dict[tuple[int, int], int]:
    """Units on open back orders by location and item. One query."""
    waiting = BackOrder.objects.filter(
        filled_by=None, voided_at=None, location__in=sorted(location_ids), item__isnull=False
    )
    sums = waiting.order_by().values_list("location", "item").annotate(units=Sum("quantity"))
    return {(location, item): units for location, item, units in sums if item is not None}


@dataclass(frozen=True, slots=True)
class PaceSeen:
    """What is known of the delays of a kind: refills dispensed and still open, by days."""

    kind: str
    known: dict[int, int]
    open: dict[int, int]


def paces_seen(run: OutlookRun, location_ids: Collection[int], *, kind: str = "") -> list[PaceSeen]:
    """What a run saw of the pace at some locations, by kind."""
    known: dict[str, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    still: dict[str, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for one in run.delays.get("seen", []):
        if one["location"] in location_ids and kind in {"", one["kind"]}:
            for sums, days in ((known, one["known"]), (still, one["open"])):
                for day, number in days.items():
                    sums[one["kind"]][int(day)] += number
    kinds = sorted(known.keys() | still.keys(), key=lambda one: PLACE[one])
    return [PaceSeen(one, dict(known[one]), dict(still[one])) for one in kinds]


def item_label(row: OutlookRow) -> str:
    """The name of the item; where none is on record, its code."""
    item: CatalogueItem | None = row.item
    return str(item) if item else f"{row.part_code}, item not known"


def places_without_stock(locations: Iterable[Location]) -> list[str]:
    """Names of the locations that do not track stock."""
    return [place.name for place in locations if not place.tracks_stock]
