"""Pages of help for staff: the contents with the search, a topic, the glossary, and help for signing in."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply.rules import help_search
from resupply.rules.help_search import Found
from resupply.rules.help_topics import Topic
from resupply.web.access import StaffRequest, may
from resupply.web.help import book, links
from resupply.web.methods import GET_HEAD_OR_POST

LONGEST = 200
"""Letters of a search that are looked at."""


@may("help.see")
@GET_HEAD_OR_POST
def contents(request: StaffRequest) -> HttpResponse:
    """All topics, one's own first. A search is sent, not asked by address: somebody may type a name."""
    query = request.POST.get("q", "").strip()[:LONGEST]
    found = help_search.find(query, book.entries())
    context = {
        "query": query,
        "found": [(_address(one), one) for one in found],
        "holds_all": bool(found) and found[0].holds_all,
        "groups": book.groups(request.staff.role),
    }
    return render(request, "help/contents.html", context)


@may("help.see")
@require_GET
def topic(request: StaffRequest, slug: str) -> HttpResponse:
    """One topic."""
    return _topic(request, _found(slug))


@may("help.see")
@require_GET
def words(request: StaffRequest) -> HttpResponse:
    """The glossary."""
    rows = [(row, book.topics().get(row.see)) for row in book.words()]
    return render(request, "help/words.html", {"rows": rows})


@require_GET
def sign_in(request: HttpRequest, slug: str) -> HttpResponse:
    """A topic about signing in, for whoever has not yet."""
    found = _found(slug)
    if found.group != book.OPEN:
        raise Http404
    return _topic(request, found)


def _topic(request: HttpRequest, found: Topic) -> HttpResponse:
    others = [
        (links.address(other, request), other.title)
        for other in (book.topics()[slug] for slug in found.see)
        if links.target(f"?{other.slug}", request)[0]
    ]
    context = {"topic": found, "group": book.GROUPS[found.group], "others": others}
    return render(request, "help/topic.html", context)


def _found(slug: str) -> Topic:
    try:
        return book.topics()[slug]
    except KeyError as unknown:
        raise Http404 from unknown


def _address(found: Found) -> str:
    key = found.entry.key
    return reverse("help:words") + key if key.startswith("#") else reverse("help:topic", args=[key])
