"""Lists in pages: what an address asks for, where the list goes on, its address as CSV or for paper."""

from datetime import date
from typing import Any

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, QueryDict
from django.urls import reverse


def filters_of(request: HttpRequest) -> QueryDict:
    """The filters of this address, without the place in the list and without empty fields."""
    query = request.GET.copy()
    for name in [*query]:
        if name in {"after", "before", "page"} or not query[name]:
            del query[name]
    return query


def with_filters(request: HttpRequest, view: str, *args: object) -> str:
    """The address of a view with the filters of this one."""
    address, query = reverse(view, args=args), filters_of(request).urlencode()
    return f"{address}?{query}" if query else address


def turned(request: HttpRequest, way: str, place: str | int | None) -> str:
    """The address of this list from a place on (`way`: after, before, page); empty where there is none."""
    if not place:
        return ""
    query = filters_of(request)
    query[way] = str(place)
    return f"?{query.urlencode()}"


def turned_at(request: HttpRequest, way: str, place: tuple[date, int] | None) -> str:
    """The same for a list in an order of (day, id)."""
    return turned(request, way, f"{place[0].isoformat()}_{place[1]}" if place else "")


def place_in(text: str) -> tuple[date, int] | None:
    """A place from an address; anything else is the first page."""
    day, _, pk = text.partition("_")
    try:
        return date.fromisoformat(day), int(pk)
    except ValueError:
        return None


def number_in(request: HttpRequest, name: str) -> int:
    """The key in a field of the address, where the list goes on; 0: there is none, or it is no key."""
    text = request.GET.get(name, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 18 else 0


def paged(request: HttpRequest, rows: "list[Any] | QuerySet[Any]", size: int) -> dict[str, Any]:
    """What a counted list shows of the page that an address asks for: its `rows`, their `total`, and the
    addresses of the pages beside it. A page beyond the end is the last.
    """
    pages: Paginator[Any] = Paginator(rows, size)
    page = pages.get_page(request.GET.get("page"))
    return {
        "rows": page.object_list,
        "total": pages.count,
        "newer_url": turned(request, "page", page.previous_page_number()) if page.has_previous() else "",
        "older_url": turned(request, "page", page.next_page_number()) if page.has_next() else "",
    }


def page_number(request: HttpRequest) -> int:
    """The page an address asks for by `page`; anything that is no number is the first."""
    text = request.GET.get("page", "")
    return max(1, min(int(text), 10_000)) if text.isascii() and text.isdigit() and len(text) < 7 else 1
