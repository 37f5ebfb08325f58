"""The first page after sign-in: what the day holds at one's locations."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Location
from resupply.queries import failures, inbound, screening
from resupply.queries import today as today_queries
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.first_steps import leading
from resupply.web.today_lists import LISTS, READ

TEXTS = 100
"""Texts that wait for a person are counted so far."""


@may("home")
@require_GET
def home(request: StaffRequest) -> HttpResponse:
    """The work lists of the day, at all of one's locations or the one chosen, and the ways on from here."""
    places = list(access.locations(request))
    chosen = _chosen(request, places)
    here = chosen or (places[0] if places else None)
    today = clock.today(here.time_zone if here else "UTC")
    ids = frozenset({chosen.pk}) if chosen else request.location_ids
    context = {
        "today": today,
        "locations": places,
        "chosen": chosen,
        "here": f"location={chosen.pk}" if chosen else "",
        "back": "today",
        "urgent": screening.urgent(ids, today=today),
        "sections": [kind.read(ids, today=today, at_most=READ) for kind in LISTS.values()],
        "ready": today_queries.ready(ids, today=today),
        "behind": today_queries.fallen_behind(ids, today=today),
        "most_patients": today_queries.MOST_PATIENTS,
        # These lead to pages about all of one's locations, whichever is chosen here.
        "assigned": today_queries.assigned_to(request.staff.user_id, request.location_ids, today=today),
        "undelivered": failures.gone_wrong_at(request.location_ids, today=today),
        "most_undelivered": failures.MOST_COUNTED,
        "texts": len(inbound.waiting(request.location_ids).values_list("pk")[:TEXTS]),
        "most_texts": TEXTS,
        "may_see_overdue": access.can(request, "overdue.see"),
        "leading": leading(request, now=clock.now()),
    }
    return render(request, "home.html", context)


def _chosen(request: StaffRequest, places: list[Location]) -> Location | None:
    """The location that the address names, if it is one of these; none: all of them."""
    named = request.GET.get("location", "")
    return next((place for place in places if str(place.pk) == named), None)
