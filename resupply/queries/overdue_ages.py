"""How many overdue lines there are by age of delay.

Narrowed to locations and a part at most, the counts come from `SupplyEnd`, which triggers keep exact with
every write: a few thousand small rows instead of all lines. Lines in a pause and snoozed ones are taken off;
both are few, and found by an index. Any other filter is counted line by line.
"""

from collections.abc import Callable
from datetime import date, timedelta
from typing import TypeVar

from django.db.models import Aggregate, Count, Model, Q, QuerySet, Sum

from resupply.models import PlanLine, SupplyEnd
from resupply.queries import overdue_filters
from resupply.queries.overdue import OverdueFilter, Snoozed, overdue_lines
from resupply.queries.paused import paused_on

AGES = ((1, 7), (8, 30), (31, 60), (61, 90), (91, None))
"""Bands of days overdue, both ends included; the last has no end."""
M = TypeVar("M", bound=Model)


def is_summed(wanted: OverdueFilter) -> bool:
    """Whether the counts of a filter are kept, so that they cost next to nothing."""
    narrowed = (wanted.payer_id, wanted.assigned_id, wanted.coverage, wanted.reach, wanted.therapist_id)
    return set(narrowed) == {None} and wanted.snoozed is not Snoozed.ONLY


def overdue_by_age(wanted: OverdueFilter, *, today: date) -> list[int]:
    """How many overdue lines there are in each band of `AGES`. Three small queries, or one long one."""
    if not is_summed(wanted):
        return _banded(overdue_lines(wanted, today=today), today, _rows)
    ends = SupplyEnd.objects.filter(_days(wanted, today))
    if wanted.location_ids is None and wanted.kind is None:
        ends = ends.filter(location=None)
    else:
        ends = ends.filter(location__isnull=False, **_where(wanted))
    counts = _banded(ends, today, _sum)
    paused = PlanLine.objects.filter(paused_on(today), _days(wanted, today), active=True, **_where(wanted))
    less = _banded(paused, today, _rows)
    if wanted.snoozed is Snoozed.NO:
        lines = PlanLine.objects.filter(_days(wanted, today), active=True, **_where(wanted))
        lines = lines.exclude(paused_on(today)).filter(overdue_filters.snoozed(today=today))
        gone = _banded(lines, today, _rows)
        less = [paused + snoozed for paused, snoozed in zip(less, gone, strict=True)]
    return [count - off for count, off in zip(counts, less, strict=True)]


def _where(wanted: OverdueFilter) -> dict[str, object]:
    where: dict[str, object] = {}
    if wanted.location_ids is not None:
        where["location__in"] = sorted(wanted.location_ids)
    if wanted.kind is not None:
        where["kind"] = wanted.kind.value
    return where


def _days(wanted: OverdueFilter, today: date) -> Q:
    """Ends of supply that are as many days ago as wanted."""
    days = Q(supply_ends_on__lte=today - timedelta(days=wanted.least_days or 1))
    if wanted.most_days is not None:
        days &= Q(supply_ends_on__gte=today - timedelta(days=wanted.most_days))
    return days


def _rows(band: Q) -> Aggregate:
    return Count("supply_ends_on", filter=band)  # in the index: for another column each row would be fetched


def _sum(band: Q) -> Aggregate:
    return Sum("lines", filter=band, default=0)


def _banded(rows: QuerySet[M], today: date, count: Callable[[Q], Aggregate]) -> list[int]:
    """An aggregate of rows by band."""
    found = rows.aggregate(
        **{f"age_{place}": count(_in_band(low, high, today)) for place, (low, high) in enumerate(AGES)}
    )
    return [found[f"age_{place}"] for place in range(len(AGES))]


def _in_band(low: int, high: int | None, today: date) -> Q:
    band = Q(supply_ends_on__lte=today - timedelta(days=low))
    return band & Q(supply_ends_on__gte=today - timedelta(days=high)) if high is not None else band
