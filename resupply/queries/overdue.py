"""The manager's overdue list: every active line whose supply has ended, and their count by age of delay.

A line is overdue on `today` when its patient is on therapy, its supply ended before `today`, and no pause
is open that day. The list is paged by (supply_ends_on, id), never counted, so that page one and page ten
thousand cost the same; days overdue are the same order read backwards. Rows are the stored plans: the sweep
refreshes those whose validity has run out, so a fact dated today may show some minutes after midnight.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Count, F, Lookup, OuterRef, Q, QuerySet, Subquery
from django.db.models.fields.tuple_lookups import TupleGreaterThan, TupleLessThan

from resupply.models import DispenseLine, MessageReason, MessageState, PlanLine
from resupply.rules.kinds import Kind

PAGE = 50
AGES = ((1, 7), (8, 30), (31, 60), (61, 90), (91, None))
"""Bands of days overdue, both ends included; the last has no end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverdueFilter:
    """What a list is narrowed to; None: everything. `payer_id` 0 stands for patients who pay themselves."""

    location_ids: frozenset[int] | None = None
    payer_id: int | None = None
    kind: Kind | None = None
    least_days: int | None = None
    most_days: int | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """A row's place in the order: where the next page goes on."""

    supply_ends_on: date
    pk: int


@dataclass(frozen=True, slots=True)
class OverduePage:
    """Rows of one page, and where the pages before and after it start (None: there is none)."""

    rows: list[PlanLine]
    before: Place | None
    after: Place | None


def overdue_lines(wanted: OverdueFilter, *, today: date) -> QuerySet[PlanLine]:
    """The overdue lines that a filter asks for, in no order."""
    rows = PlanLine.objects.filter(active=True, supply_ends_on__lt=today).exclude(paused_on(today))
    if wanted.location_ids is not None:
        rows = rows.filter(location__in=sorted(wanted.location_ids))
    if wanted.payer_id is not None:
        rows = rows.filter(payer=wanted.payer_id or None)
    if wanted.kind is not None:
        rows = rows.filter(kind=wanted.kind)
    if wanted.least_days is not None:
        rows = rows.filter(supply_ends_on__lte=today - timedelta(days=wanted.least_days))
    if wanted.most_days is not None:
        rows = rows.filter(supply_ends_on__gte=today - timedelta(days=wanted.most_days))
    return rows


def paused_on(day: date) -> Q:
    """Lines whose therapy pauses on a day."""
    return Q(paused_from__isnull=False, paused_from__lte=day) & (
        Q(paused_until__isnull=True) | Q(paused_until__gt=day)
    )


def overdue_page(
    wanted: OverdueFilter,
    *,
    today: date,
    longest_first: bool = True,
    after: Place | None = None,
    before: Place | None = None,
) -> OverduePage:
    """One page of at most `PAGE` rows, after or before a place (neither: the first page). One query."""
    backwards = before is not None
    forwards = longest_first is not backwards
    place = before or after
    rows = overdue_lines(wanted, today=today)
    if place is not None:
        lookup = TupleGreaterThan if forwards else TupleLessThan
        rows = rows.filter(_beyond(lookup, place))
    order = ("supply_ends_on", "pk") if forwards else ("-supply_ends_on", "-pk")
    found = list(_with_what_a_row_shows(rows).order_by(*order)[: PAGE + 1])
    more, found = len(found) > PAGE, found[:PAGE]
    if backwards:
        found.reverse()
    return OverduePage(
        found,
        before=_place(found[0]) if found and (more if backwards else place is not None) else None,
        after=_place(found[-1]) if found and (backwards or more) else None,
    )


def overdue_rows(wanted: OverdueFilter, *, today: date) -> Iterator[PlanLine]:
    """Every row a filter asks for, longest overdue first, read in batches with flat memory."""
    rows = _with_what_a_row_shows(overdue_lines(wanted, today=today))
    return rows.order_by("supply_ends_on", "pk").iterator(chunk_size=1000)


def overdue_by_age(wanted: OverdueFilter, *, today: date) -> list[int]:
    """How many overdue lines there are in each band of `AGES`. One aggregate."""
    counts = overdue_lines(wanted, today=today).aggregate(
        **{
            f"age_{position}": Count("pk", filter=_in_band(low, high, today))
            for position, (low, high) in enumerate(AGES)
        }
    )
    return [counts[f"age_{position}"] for position in range(len(AGES))]


def _beyond(lookup: type[TupleGreaterThan] | type[TupleLessThan], place: Place) -> "Lookup[bool]":
    """The row comparison `(supply_ends_on, id) > (…)`: one index answers it; an OR reads the table."""
    return lookup((F("supply_ends_on"), F("id")), (place.supply_ends_on, place.pk))


def _in_band(low: int, high: int | None, today: date) -> Q:
    band = Q(supply_ends_on__lte=today - timedelta(days=low))
    return band & Q(supply_ends_on__gte=today - timedelta(days=high)) if high is not None else band


def _with_what_a_row_shows(rows: QuerySet[PlanLine]) -> QuerySet[PlanLine]:
    """Patient, location, payer, when the patient was last written to about this kind of part, and why the
    last one was an exception (empty or None: it was none).
    """
    asked = MessageReason.objects.filter(
        patient=OuterRef("patient"), kind=OuterRef("kind"), message__state=MessageState.SENT
    ).order_by("-message__finished_at")
    given = DispenseLine.objects.filter(
        dispense__patient=OuterRef("patient"), kind=OuterRef("kind"), voided_at=None
    ).order_by("-dispense__dispensed_on", "-pk")
    return rows.select_related("patient", "location", "payer").annotate(
        last_asked_at=Subquery(asked.values("message__finished_at")[:1]),
        last_exception=Subquery(given.values("exception_reason")[:1]),
    )


def _place(row: PlanLine) -> Place:
    return Place(row.supply_ends_on, row.pk)
