"""The first page after sign-in: where each role begins."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import today as today_queries
from resupply.web import access
from resupply.web.access import StaffRequest, may


@may("home")
@require_GET
def home(request: StaffRequest) -> HttpResponse:
    """What the day holds at one's locations, and the ways on from here."""
    places = list(access.locations(request))
    today = clock.today(places[0].time_zone if places else "UTC")
    context = {
        "today": today,
        "locations": places,
        "ready": today_queries.ready(request.location_ids, today=today),
        "behind": today_queries.fallen_behind(request.location_ids, today=today),
        "may_see_overdue": access.can(request, "overdue.see"),
    }
    return render(request, "home.html", context)
