"""When locations give and ship parts: open weekdays, and days off with their reason."""

from functools import partial
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import open_days as queries
from resupply.services import open_days as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import Back, act, take_back
from resupply.web.manager.open_days_forms import DayOffForm, WeekdaysForm, weekdays_said
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import counted, day_words


@may("open_days.change")
@require_GET
def open_days(request: StaffRequest) -> HttpResponse:
    """The open weekdays of each location, and its days off to come."""
    today = clock.today(request.zone)
    places = list(access.locations(request))
    off = queries.days_off_of(places, since=today)
    rows = [(place, weekdays_said(place.open_weekdays), off.get(place.pk, [])) for place in places]
    return render(request, "manager/open_days.html", {"today": today, "rows": rows})


@may("open_days.change")
@GET_OR_POST
def weekdays(request: StaffRequest, pk: int) -> HttpResponse:
    """Choose the open weekdays of a location."""
    place = access.location_or_404(request, pk)
    sent = posted(request)
    form = WeekdaysForm(sent, initial={"weekdays": list(place.open_weekdays)})

    def write() -> str:
        service.set_weekdays(place, [int(day) for day in form.cleaned_data["weekdays"]])
        return f"{place.name} is open {weekdays_said(place.open_weekdays)}."

    return act(
        request, form, write, title=f"Open weekdays: {place.name}", action="Save the weekdays",
        text="Deliveries are planned on these days. What is planned moves at once; no date of a part does.",
        **_back(),
    )  # fmt: skip


@may("open_days.change")
@GET_OR_POST
def day_off(request: StaffRequest) -> HttpResponse:
    """Add a day off at one or more locations."""
    today = clock.today(request.zone)
    places = access.locations(request)
    form = DayOffForm(posted(request), locations=places)

    def write() -> str:
        asked = form.cleaned_data
        made = service.close_day(
            list(asked["locations"]),
            day=asked["day"],
            reason=asked["reason"],
            by=request.staff.user,
            today=today,
            now=clock.now(),
        )
        where = made[0].location.name if len(made) == 1 else counted(len(made), "location")
        return f"Closed on {day_words(made[0].day, today=today)}: {where}."

    return act(
        request, form, write, title="Add a day off", action="Add the day off",
        text="No delivery is planned on it: what would have gone out that day goes before it, or else after.",
        **_back(),
    )  # fmt: skip


@may("open_days.change")
@GET_OR_POST
def open_again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a day off back with a reason."""
    closed = access.closed_day_or_404(request, public_id)
    said = day_words(closed.day, today=clock.today(request.zone))

    return take_back(
        request, partial(service.open_again, closed), done=f"{closed.location.name} is open on {said}.",
        title=f"Open after all: {closed.location.name}, {said}", action="Open that day",
        text="The day off stays on record.", **_back(), danger=False,
    )  # fmt: skip


def _back() -> Back:
    """Where these forms lead back to."""
    return {"back_url": reverse("manager:open_days"), "back_label": "Open days"}
