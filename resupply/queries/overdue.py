"""The manager's overdue list: every active line whose supply has ended, narrowed, paged and counted.

A line is overdue on `today` when its patient is on therapy, its supply ended before `today`, and no pause
is open that day. A line that somebody snoozed leaves the list until that day. The list is paged by
(supply_ends_on, id), never counted, so that page one and page ten thousand cost the same; days overdue are
the same order read backwards. Where a filter has to look into a patient's records (how far reached,
therapist, coverage), a page looks through `LOOKED_AT` lines at most and says where to go on. Rows are the
stored plans: the sweep refreshes those whose validity has run out, so a fact dated today may show some
minutes after midnight.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, TypedDict

from django.db.models import CharField, F, Lookup, QuerySet
from django.db.models.expressions import RawSQL
from django.db.models.fields.tuple_lookups import TupleGreaterThan, TupleLessThan

from resupply.models import PlanLine
from resupply.queries import overdue_filters
from resupply.queries.overdue_filters import Reach
from resupply.queries.paused import paused_on
from resupply.rules.kinds import Kind

if TYPE_CHECKING:
    from django_stubs_ext import WithAnnotations

    class Shown(TypedDict):
        """What `with_what_a_row_shows` adds to each line."""

        location_name: str
        payer_name: str | None
        last_exception: str | None

    OverdueLine = WithAnnotations[PlanLine, Shown]

PAGE = 50
LOOKED_AT = 5_000
"""Lines a page looks through at most where its filter looks into the records."""

_SHOWN = (
    *("kind", "part_code", "supply_ends_on", "covered_from", "ask_from", "allowance_units", "patient_id"),
    *("location_id", "payer_id"),
    *("patient__public_id", "patient__reference", "patient__given_name", "patient__family_name"),
    *("patient__birth_date", "patient__email", "patient__phone", "patient__time_zone"),
)
"""Columns that rows and acts read: the other half of a line would cost as much as the search for it."""

_EXCEPTION = """(
    SELECT given.exception_reason FROM resupply_dispenseline given
    JOIN resupply_dispense dispense ON dispense.id = given.dispense_id
    WHERE dispense.patient_id = resupply_planline.patient_id AND given.kind = resupply_planline.kind
        AND given.voided_at IS NULL
    ORDER BY dispense.dispensed_on DESC, given.id DESC LIMIT 1)"""
"""In SQL, because to compose it takes Django longer than PostgreSQL to answer."""


class Coverage(StrEnum):
    """Whether coverage has opened."""

    WAITING = "waiting"
    OPEN = "open"


class Snoozed(StrEnum):
    """Which lines a list holds: those that are not snoozed, those that are, or both."""

    NO = ""
    ONLY = "only"
    TOO = "too"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverdueFilter:
    """What a list is narrowed to; None: everything. `payer_id` 0 stands for patients who pay themselves,
    `assigned_id` 0 for lines that nobody looks after.
    """

    location_ids: frozenset[int] | None = None
    payer_id: int | None = None
    kind: Kind | None = None
    least_days: int | None = None
    most_days: int | None = None
    coverage: Coverage | None = None
    reach: Reach | None = None
    therapist_id: int | None = None
    assigned_id: int | None = None
    snoozed: Snoozed = Snoozed.NO

    @property
    def looks_into_records(self) -> bool:
        """Whether lines may have to be looked at one by one."""
        return (self.coverage, self.reach, self.therapist_id) != (None, None, None)


@dataclass(frozen=True, slots=True)
class Place:
    """A row's place in the order: where the next page goes on."""

    supply_ends_on: date
    pk: int


@dataclass(frozen=True, slots=True)
class OverduePage:
    """Rows of one page, and where the pages before and after it start (None: there is none).

    `is_cut`: `LOOKED_AT` lines were looked through before the page was full.
    """

    rows: "list[OverdueLine]"
    before: Place | None
    after: Place | None
    is_cut: bool = False


def overdue_lines(wanted: OverdueFilter, *, today: date) -> QuerySet[PlanLine]:
    """The overdue lines that a filter asks for, in no order."""
    return _looked_into(_on_the_row(wanted, today=today), wanted, today=today)


def _on_the_row(wanted: OverdueFilter, *, today: date) -> QuerySet[PlanLine]:
    """Narrowed to what an index tells, or a few acts do."""
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
    if wanted.assigned_id is not None:
        rows = overdue_filters.assigned_to(rows, wanted.assigned_id)
    if wanted.snoozed is Snoozed.TOO:
        return rows
    if wanted.snoozed is Snoozed.ONLY:
        return rows.filter(overdue_filters.snoozed(today=today))
    return rows.filter(overdue_filters.not_snoozed(today=today))


def _looked_into(rows: QuerySet[PlanLine], wanted: OverdueFilter, *, today: date) -> QuerySet[PlanLine]:
    if wanted.coverage is Coverage.WAITING:
        rows = rows.filter(covered_from__gt=today)
    elif wanted.coverage is Coverage.OPEN:
        rows = rows.exclude(covered_from__gt=today)
    if wanted.reach is not None:
        rows = overdue_filters.narrowed_by_reach(rows, wanted.reach, today=today)
    if wanted.therapist_id is not None:
        rows = overdue_filters.of_therapist(rows, wanted.therapist_id)
    return rows


def overdue_page(
    wanted: OverdueFilter,
    *,
    today: date,
    longest_first: bool = True,
    after: Place | None = None,
    before: Place | None = None,
) -> OverduePage:
    """One page of at most `PAGE` rows, after or before a place (neither: the first page).

    One query, two where the filter looks into records.
    """
    backwards = before is not None
    forwards = longest_first is not backwards
    place = before or after
    rows = _on_the_row(wanted, today=today)
    if place is not None:
        rows = rows.filter(_beyond(TupleGreaterThan if forwards else TupleLessThan, place))
    order = ("supply_ends_on", "pk") if forwards else ("-supply_ends_on", "-pk")
    rows = candidates = rows.order_by(*order)
    if wanted.looks_into_records:
        looked_at = PlanLine.objects.filter(pk__in=candidates.values("pk")[:LOOKED_AT])
        rows = _looked_into(looked_at, wanted, today=today).order_by(*order)
    found = list(with_what_a_row_shows(rows)[: PAGE + 1])
    more, found = len(found) > PAGE, found[:PAGE]
    cut = None
    if wanted.looks_into_records and not more:
        cut = candidates.only("supply_ends_on")[LOOKED_AT - 1 : LOOKED_AT].first()
    if backwards:
        found.reverse()
    first, last = (_place(found[0]), _place(found[-1])) if found else (place, place)
    onward = _place(cut) if cut else (first if backwards else last) if more else None
    back = (last if backwards else first) if place is not None else None
    return OverduePage(
        found,
        before=onward if backwards else back,
        after=back if backwards else onward,
        is_cut=cut is not None,
    )


def overdue_rows(
    wanted: OverdueFilter, *, today: date, longest_first: bool = True
) -> "Iterator[OverdueLine]":
    """Every row a filter asks for, longest overdue first or last, read in batches with flat memory."""
    rows = with_what_a_row_shows(overdue_lines(wanted, today=today))
    order = ("supply_ends_on", "pk") if longest_first else ("-supply_ends_on", "-pk")
    return rows.order_by(*order).iterator(chunk_size=1000)


def _beyond(lookup: type[TupleGreaterThan] | type[TupleLessThan], place: Place) -> "Lookup[bool]":
    """The row comparison `(supply_ends_on, id) > (…)`: one index answers it; an OR reads the table."""
    return lookup((F("supply_ends_on"), F("id")), (place.supply_ends_on, place.pk))


def with_what_a_row_shows(rows: QuerySet[PlanLine]) -> "QuerySet[OverdueLine]":
    """Lines with their patient, `location_name` and `payer_name` (None: the patient pays), and
    `last_exception`: why the last one given was an exception (empty or None: it was none).

    Names alone: an object for each location and payer costs a tenth of the whole page's query.
    """
    exception = RawSQL(_EXCEPTION, (), output_field=CharField())  # noqa: S611 - no part comes from outside
    shown = rows.select_related("patient").only(*_SHOWN)
    return shown.annotate(
        last_exception=exception, location_name=F("location__name"), payer_name=F("payer__name")
    )


def _place(row: PlanLine) -> Place:
    return Place(row.supply_ends_on, row.pk)
