"""The book of dispenses: everything the clinic gave, newest first, voided ones too.

It is paged by (dispensed_on, id), never counted, so that page one and page ten thousand cost the same. What
another supplier gave is on the patient's page, not here: the clinic holds no proof of it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from django.db.models import Exists, F, Lookup, OuterRef, Prefetch, Q, QuerySet
from django.db.models.fields.tuple_lookups import TupleGreaterThan, TupleLessThan

from resupply.models import CatalogueItem, Dispense, DispenseLine, PatientStatus, Proof, SuppliedBy

PAGE = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class BookFilter:
    """What the book is narrowed to; None or empty: everything.

    `seen_at`: locations whose patients one may see. `part_or_lot`: a lot, serial number, billing code, or
    a piece of an item's name. `parcel`: a Parcel value.
    """

    seen_at: frozenset[int] | None = None
    location_id: int | None = None
    first_on: date | None = None
    last_on: date | None = None
    given: str = ""
    exceptions_only: bool = False
    without_proof: bool = False
    parcel: str = ""
    part_or_lot: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """A row's place in the order: where the next page goes on."""

    dispensed_on: date
    pk: int


@dataclass(frozen=True, slots=True)
class BookPage:
    """Rows of one page, and where the pages before and after it start (None: there is none)."""

    rows: list[Dispense]
    before: Place | None
    after: Place | None


def book_page(wanted: BookFilter, *, after: Place | None = None, before: Place | None = None) -> BookPage:
    """One page of at most `PAGE` rows, older than `after` or newer than `before` (neither: the newest).

    Three queries: dispenses, their lines, their standing proofs.
    """
    rows, place = dispenses(wanted), before or after
    if place is not None:
        rows = rows.filter(_beyond(TupleGreaterThan if before else TupleLessThan, place))
    order = ("dispensed_on", "pk") if before else ("-dispensed_on", "-pk")
    found = list(_with_what_a_row_shows(rows).order_by(*order)[: PAGE + 1])
    more, found = len(found) > PAGE, found[:PAGE]
    if before:
        found.reverse()
    return BookPage(
        found,
        before=_place(found[0]) if found and (more if before else place is not None) else None,
        after=_place(found[-1]) if found and (before or more) else None,
    )


def book_rows(wanted: BookFilter) -> Iterator[Dispense]:
    """Every row the filter asks for, newest first, read in batches with flat memory."""
    rows = _with_what_a_row_shows(dispenses(wanted))
    return rows.order_by("-dispensed_on", "-pk").iterator(chunk_size=500)


def dispenses(wanted: BookFilter) -> QuerySet[Dispense]:
    """The dispenses that a filter asks for, in no order; none of patients whose import was undone."""
    rows = Dispense.objects.filter(supplied_by=SuppliedBy.US).exclude(patient__status=PatientStatus.WITHDRAWN)
    if wanted.seen_at is not None:
        rows = rows.filter(patient__location__in=sorted(wanted.seen_at))
    if wanted.location_id is not None:
        rows = rows.filter(location=wanted.location_id)
    if wanted.first_on is not None:
        rows = rows.filter(dispensed_on__gte=wanted.first_on)
    if wanted.last_on is not None:
        rows = rows.filter(dispensed_on__lte=wanted.last_on)
    if wanted.given:
        rows = rows.filter(given=wanted.given)
    if wanted.parcel:
        rows = rows.filter(parcel=wanted.parcel)
    if wanted.exceptions_only:
        rows = rows.filter(Exists(_lines().exclude(exception_reason="")))
    if wanted.without_proof:
        standing = Proof.objects.filter(dispense=OuterRef("pk"), voided_at=None)
        rows = rows.filter(~Exists(standing), voided_at=None)
    if wanted.part_or_lot.strip():
        rows = rows.filter(pk__in=_named(wanted.part_or_lot.strip()).values("dispense"))
    return rows


def _lines() -> QuerySet[DispenseLine]:
    return DispenseLine.objects.filter(dispense=OuterRef("pk"))


def _named(word: str) -> QuerySet[DispenseLine]:
    """Lines that a part or lot names. A lot is found as printed, in capitals or small: by its index."""
    spellings = {word, word.upper(), word.lower()}
    items = CatalogueItem.objects.filter(name__icontains=word).values("pk")
    return DispenseLine.objects.filter(
        Q(lot__iexact=word) & ~Q(lot="")
        | Q(serial__in=spellings)
        | Q(part_code=word.upper())
        | Q(item__in=items)
    )


def _beyond(lookup: type[TupleGreaterThan] | type[TupleLessThan], place: Place) -> "Lookup[bool]":
    """The row comparison `(dispensed_on, id) < (…)`: one index answers it; an OR reads the table."""
    return lookup((F("dispensed_on"), F("id")), (place.dispensed_on, place.pk))


def _with_what_a_row_shows(rows: QuerySet[Dispense]) -> QuerySet[Dispense]:
    """Patient, location, lines with their items, and the standing proof (`standing_proofs`)."""
    lines: Prefetch[str, QuerySet[DispenseLine], str] = Prefetch(
        "lines", DispenseLine.objects.select_related("item").order_by("position")
    )
    proofs: Prefetch[str, QuerySet[Proof], str] = Prefetch(
        "proofs", Proof.objects.filter(voided_at=None), to_attr="standing_proofs"
    )
    return rows.select_related("patient", "location").prefetch_related(lines, proofs)


def _place(row: Dispense) -> Place:
    return Place(row.dispensed_on, row.pk)
