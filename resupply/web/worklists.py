"""The work lists of Today as pages, as CSV and on paper.

Locations and orders stand in the address, patients never do.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import Http404, HttpResponse, QueryDict, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import Location
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.files import csv_file
from resupply.web.forms import AtLocationForm, any_location, dress
from resupply.web.today_lists import LISTS, TodayList

LISTED = 1000
"""Rows of a list on its own page and on paper; beyond them the CSV is the better tool."""


class ListForm(AtLocationForm):
    """Narrow and order a list; what does not fit is as good as empty."""

    location = any_location("All my locations")
    order = forms.ChoiceField(label="Order", required=False)

    def __init__(self, *args: Any, kind: TodayList[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [(key, words) for key, (words, _) in kind.orders.items()]
        self.fields["order"].choices = choices  # type: ignore[attr-defined]
        dress(self)


@dataclass(frozen=True, slots=True)
class Asked:
    """The list that an address asks for."""

    kind: TodayList[Any]
    form: ListForm
    places: frozenset[int]
    order: str
    today: date
    query: str
    """The filters of the address, for links that keep them."""

    def at(self, view: str) -> str:
        """The address of the same list in another shape."""
        address = reverse(view, args=[self.kind.slug])
        return f"{address}?{self.query}" if self.query else address

    @property
    def choices(self) -> list[str]:
        """What the list is narrowed to, in words."""
        place = self.form.cleaned_data.get("location")
        return [*([place.name] if place else []), self.kind.orders[self.order][0]]


@may("home")
@require_GET
def worklist(request: StaffRequest, slug: str) -> HttpResponse:
    """One list as a page."""
    asked = _asked(request, slug)
    return render(request, "worklists/list.html", _context(request, asked))


@may("home")
@require_GET
def worklist_print(request: StaffRequest, slug: str) -> HttpResponse:
    """One list for paper."""
    asked = _asked(request, slug)
    return render(request, "worklists/print.html", _context(request, asked))


@may("worklist.export")
@require_GET
def worklist_csv(request: StaffRequest, slug: str) -> StreamingHttpResponse:
    """Every row of a list as CSV, sent as it is read."""
    asked = _asked(request, slug)
    rows = asked.kind.rows(asked.places, today=asked.today).order_by(*asked.kind.orders[asked.order][1])
    return csv_file(f"{slug}-{asked.today.isoformat()}", asked.kind.header, _lines(asked.kind, rows))


def _lines(kind: TodayList[Any], rows: QuerySet[Any]) -> Iterator[list[Cell]]:
    for row in rows.iterator(chunk_size=1000):
        yield kind.cells(row)


def _context(request: StaffRequest, asked: Asked) -> dict[str, object]:
    place = asked.form.cleaned_data.get("location")
    section = asked.kind.read(asked.places, today=asked.today, order=asked.order, at_most=LISTED)
    return {
        "section": section,
        "kind": asked.kind,
        "form": asked.form,
        "today": asked.today,
        "back": asked.kind.slug,
        "here": asked.query,
        "listed": LISTED,
        "choices": asked.choices,
        "is_narrowed": bool(place),
        "may_export": access.can(request, "worklist.export"),
        "today_url": f"{reverse('home')}?location={place.pk}" if place else reverse("home"),
        "list_url": reverse("worklist", args=[asked.kind.slug]),
        "page_url": asked.at("worklist"),
        "csv_url": asked.at("worklist_csv"),
        "print_url": asked.at("worklist_print"),
    }


def _asked(request: StaffRequest, slug: str) -> Asked:
    if slug not in LISTS:
        raise Http404
    kind, places = LISTS[slug], access.locations(request)
    form = ListForm(request.GET, locations=places, kind=kind)
    form.is_valid()
    here = form.cleaned_data.get("location") or places.first()
    order = form.cleaned_data.get("order") or ""
    chosen = form.cleaned_data.get("location")
    ids = frozenset({chosen.pk}) if chosen else request.location_ids
    today = clock.today(here.time_zone if here else "UTC")
    return Asked(kind, form, ids, order, today, _query(chosen, order))


def _query(place: Location | None, order: str) -> str:
    query = QueryDict(mutable=True)
    if place:
        query["location"] = str(place.pk)
    if order:
        query["order"] = order
    return query.urlencode()
