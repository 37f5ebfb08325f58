"""Help for patients on their own page: contents with a search, and one topic.

It needs the link and not the date of birth: nothing in it is about anybody.
"""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply.rules import help_search, help_topics, patient_help
from resupply.rules.help_search import Entry
from resupply.web.methods import GET_HEAD_OR_POST
from resupply.web.own_address import own_address
from resupply.web.patient.doors import PatientRequest, frame, link_only

LONGEST = 200
"""Letters of a search that are looked at."""


@link_only
@GET_HEAD_OR_POST
def contents(request: PatientRequest) -> HttpResponse:
    """All topics. A search is sent, not asked by address: it may be about one's health."""
    query = request.POST.get("q", "").strip()[:LONGEST]
    topics = patient_help.topics(request.language)
    entries = [
        Entry(topic.slug, topic.title, topic.also, help_topics.texts(topic)) for topic in topics.values()
    ]
    found = help_search.find(query, entries)
    context = _frame(request) | {
        "query": query,
        "found": [(own_address(request, "help_topic", one.entry.key), one) for one in found],
        "topics": topics.values(),
    }
    return render(request, "patient/help.html", context)


@link_only
@require_GET
def topic(request: PatientRequest, slug: str) -> HttpResponse:
    """One topic."""
    topics = patient_help.topics(request.language)
    if slug not in topics:
        raise Http404
    found = topics[slug]
    context = _frame(request) | {"topic": found, "others": [topics[other] for other in found.see]}
    return render(request, "patient/help_topic.html", context)


def _frame(request: PatientRequest) -> dict[str, object]:
    """What every page needs; where to call only once the birth date was given."""
    found = frame(request) | {"said": patient_help.labels(request.language)}
    return found if request.is_open else found | {"place": None}
