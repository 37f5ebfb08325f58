"""The clinic's shelf: the list on screen, as CSV and for paper, and the mask families."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import CatalogueItem
from resupply.queries import catalogue as shelf
from resupply.queries.catalogue import CatalogueFilter
from resupply.web.access import StaffRequest, can, may
from resupply.web.files import csv_file
from resupply.web.manager.catalogue_forms import MAGNET_WORDS, CatalogueForm
from resupply.web.paging import filters_of, paged, with_filters
from resupply.web.wording import kind_word, part_word

PRINTED = 2000
"""Items on paper at most."""
_HEADER = (
    "name", "size", "fit_pack_sizes", "kind", "part_code", "family", "contains", "gtin", "hibc", "magnets",
    "offered", "code_note",
)  # fmt: skip
_COLUMNS = (
    ("Item", "name"), ("Part", "kind"), ("Code", "code"), ("Family", "family"), ("Size", "size"),
    ("GTIN", "gtin"), ("Magnets", ""), ("Offered", ""),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One item as it is shown."""

    item: CatalogueItem
    kind: str
    part: str
    magnets: str


@dataclass(frozen=True, slots=True)
class Column:
    """A column's head: where its sorting leads (empty: nowhere), and which way it is sorted now."""

    label: str
    url: str
    sorted: str


@dataclass(frozen=True, slots=True)
class Asked:
    """The list that an address asks for."""

    form: CatalogueForm
    wanted: CatalogueFilter
    order: str


@may("catalogue.see")
@require_GET
def catalogue(request: StaffRequest) -> HttpResponse:
    """A page of the shelf."""
    asked = _asked(request)
    page = paged(request, shelf.items(asked.wanted, order=asked.order), shelf.PAGE)
    context = page | {
        "form": asked.form,
        "today": clock.today(request.zone),
        "rows": _rows(page["rows"]),
        "columns": list(_columns(request, asked.order)),
        "list_url": reverse("manager:catalogue"),
        "csv_url": with_filters(request, "manager:catalogue_csv"),
        "print_url": with_filters(request, "manager:catalogue_print"),
        "is_narrowed": asked.wanted != CatalogueFilter(),
        "may_change": can(request, "catalogue.change"),
        "may_match": can(request, "matching.version"),
        "may_review": can(request, "care_text.review"),
    }
    return render(request, "manager/catalogue.html", context)


@may("catalogue.see")
@require_GET
def catalogue_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Every item of the list as CSV."""
    asked = _asked(request)
    rows = shelf.items(asked.wanted, order=asked.order)
    return csv_file(f"catalogue-{clock.today(request.zone).isoformat()}", _HEADER, _cells(rows))


@may("catalogue.see")
@require_GET
def catalogue_print(request: StaffRequest) -> HttpResponse:
    """The list for paper, without pages."""
    asked = _asked(request)
    rows = _rows(shelf.items(asked.wanted, order=asked.order)[: PRINTED + 1])
    context = {
        "today": clock.today(request.zone),
        "rows": rows[:PRINTED],
        "columns": [Column(label, "", "") for label, _ in _COLUMNS],
        "is_cut": len(rows) > PRINTED,
        "printed": PRINTED,
        "choices": _choices(asked),
        "list_url": with_filters(request, "manager:catalogue"),
    }
    return render(request, "manager/catalogue_print.html", context)


@may("catalogue.see")
@require_GET
def families(request: StaffRequest) -> HttpResponse:
    """Mask families, and which parts fit which mask."""
    context = {
        "today": clock.today(request.zone),
        "families": [
            {
                "name": family.name,
                "sizes": family.sizes,
                "masks": _rows(family.masks),
                "parts": _rows(family.parts),
            }
            for family in shelf.families()
        ],
    }
    return render(request, "manager/families.html", context)


def _asked(request: StaffRequest) -> Asked:
    form = CatalogueForm(request.GET, families=shelf.all_families())
    form.is_valid()
    return Asked(form, form.wanted(), form.cleaned_data.get("order") or "kind")


def _rows(items: Iterable[CatalogueItem]) -> list[Row]:
    return [
        Row(item, kind_word(item.kind), part_word(item.part_code), MAGNET_WORDS.get(item.magnetic, ""))
        for item in items
    ]


def _cells(items: Iterable[CatalogueItem]) -> Iterator[list[Cell]]:
    for item in items:
        yield [
            item.name, item.size, "; ".join(item.pack_sizes), item.kind, item.part_code, item.family,
            "; ".join(item.contains), item.gtin, item.hibc, item.magnetic, "yes" if item.is_offered else "no",
            item.code_note,
        ]  # fmt: skip


def _columns(request: StaffRequest, order: str) -> Iterator[Column]:
    """Each head sorts by its column, and once sorted turns it round."""
    for label, name in _COLUMNS:
        is_sorted = name != "" and order.removeprefix("-") == name
        query = filters_of(request)
        query["order"] = f"-{name}" if order == name else name
        yield Column(
            label,
            f"?{query.urlencode()}" if name else "",
            ("descending" if order.startswith("-") else "ascending") if is_sorted else "",
        )


def _choices(asked: Asked) -> list[str]:
    """What the list is narrowed to, in words, for paper."""
    wanted = asked.wanted
    words = [f"“{wanted.words}”"] if wanted.words else []
    words += [kind_word(wanted.kind)] if wanted.kind else []
    words += [f"family {wanted.family}"] if wanted.family else []
    words += [MAGNET_WORDS[wanted.magnetic]] if wanted.magnetic else []
    if wanted.offered is not None:
        words.append("offered" if wanted.offered else "no longer offered")
    return words
