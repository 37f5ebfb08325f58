"""When locations give and ship parts: open weekdays, and days off with their reason."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from resupply import clock
from resupply.models import ClosedDay
from resupply.queries import open_days as queries
from resupply.services import open_days as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.forms import written
from resupply.web.manager.open_days_forms import DayOffForm, OpenAgainForm, WeekdaysForm, weekdays_said
from resupply.web.wording import counted, day_words

GET_OR_POST = require_http_methods(["GET", "POST"])


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
    sent = request.POST if request.method == "POST" else None
    form = WeekdaysForm(sent, initial={"weekdays": list(place.open_weekdays)})

    def write() -> bool:
        service.set_weekdays(place, [int(day) for day in form.cleaned_data["weekdays"]])
        return True

    if request.method == "POST" and written(form, write):
        messages.success(request, f"{place.name} is open {weekdays_said(place.open_weekdays)}.")
        return redirect("manager:open_days")
    return _asked(
        request,
        form,
        title=f"Open weekdays: {place.name}",
        text="Deliveries are planned on these days. What is planned moves at once; no date of a part does.",
        action="Save the weekdays",
    )


@may("open_days.change")
@GET_OR_POST
def day_off(request: StaffRequest) -> HttpResponse:
    """Add a day off at one or more locations."""
    today = clock.today(request.zone)
    places = access.locations(request)
    form = DayOffForm(request.POST or None, locations=places)

    def write() -> list[ClosedDay]:
        asked = form.cleaned_data
        return service.close_day(
            list(asked["locations"]),
            day=asked["day"],
            reason=asked["reason"],
            by=request.staff.user,
            today=today,
            now=clock.now(),
        )

    if request.method == "POST" and (made := written(form, write)):
        where = made[0].location.name if len(made) == 1 else counted(len(made), "location")
        messages.success(request, f"Closed on {day_words(made[0].day, today=today)}: {where}.")
        return redirect("manager:open_days")
    text = "No delivery is planned on it: what would have gone out that day goes before it, or else after."
    return _asked(request, form, title="Add a day off", text=text, action="Add the day off")


@may("open_days.change")
@GET_OR_POST
def open_again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a day off back with a reason."""
    closed = access.closed_day_or_404(request, public_id)
    said = day_words(closed.day, today=clock.today(request.zone))
    form = OpenAgainForm(request.POST or None)

    def write() -> bool:
        reason = form.cleaned_data["reason"]
        service.open_again(closed, reason=reason, by=request.staff.user, now=clock.now())
        return True

    if request.method == "POST" and written(form, write):
        messages.success(request, f"{closed.location.name} is open on {said}.")
        return redirect("manager:open_days")
    title = f"Open after all: {closed.location.name}, {said}"
    return _asked(request, form, title=title, text="The day off stays on record.", action="Open that day")


def _asked(
    request: StaffRequest, form: WeekdaysForm | DayOffForm | OpenAgainForm, **said: str
) -> HttpResponse:
    context: dict[str, object] = {
        **said,
        "today": clock.today(request.zone),
        "form": form,
        "back_url": reverse("manager:open_days"),
        "back_label": "Open days",
    }
    return render(request, "act.html", context, status=422 if form.errors else 200)
