"""Lists paged by a place in an order of (day, id): addresses of pages, and of a list as CSV or for paper."""

from datetime import date

from django.http import HttpRequest, QueryDict
from django.urls import reverse


def filters_of(request: HttpRequest) -> QueryDict:
    """The filters of this address, without the place in the list and without empty fields."""
    query = request.GET.copy()
    for name in [*query]:
        if name in {"after", "before"} or not query[name]:
            del query[name]
    return query


def with_filters(request: HttpRequest, view: str) -> str:
    """The address of a view with the filters of this one."""
    query = filters_of(request).urlencode()
    return f"{reverse(view)}?{query}" if query else reverse(view)


def turned(request: HttpRequest, way: str, place: tuple[date, int] | None) -> str:
    """The address of the page `after` or `before` a place; empty where there is none."""
    if place is None:
        return ""
    query = filters_of(request)
    query[way] = f"{place[0].isoformat()}_{place[1]}"
    return f"?{query.urlencode()}"


def place_in(text: str) -> tuple[date, int] | None:
    """A place from an address; anything else is the first page."""
    day, _, pk = text.partition("_")
    try:
        return date.fromisoformat(day), int(pk)
    except ValueError:
        return None


def page_number(request: HttpRequest) -> int:
    """The page an address asks for by `page`; anything that is no number is the first."""
    text = request.GET.get("page", "")
    return max(1, min(int(text), 10_000)) if text.isascii() and text.isdigit() and len(text) < 7 else 1
