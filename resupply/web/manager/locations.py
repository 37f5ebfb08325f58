"""The clinic's locations: listed, added, corrected, closed and opened again, each with its history."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Location
from resupply.queries import locations as queries
from resupply.services import locations as service
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act, ask, confirmed
from resupply.web.forms import written
from resupply.web.manager.location_forms import LocationForm, NewLocationForm, changes_said
from resupply.web.manager.open_days_forms import weekdays_said
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.ways import way_back


@may("location.see")
@require_GET
def locations(request: StaffRequest) -> HttpResponse:
    """Every location of the clinic, whoever works there."""
    context = {
        "today": clock.today(request.zone),
        "rows": [(place, weekdays_said(place.open_weekdays)) for place in queries.listed()],
        "everywhere": queries.works_everywhere(),
        "may_change": can(request, "location.change"),
    }
    return render(request, "manager/locations.html", context)


@may("location.see")
@require_GET
def location(request: StaffRequest, pk: int) -> HttpResponse:
    """One location, and who changed what."""
    found = access.any_location_or_404(pk)
    context = {
        "today": clock.today(request.zone),
        "place": found,
        "open": weekdays_said(found.open_weekdays),
        "changes": changes_said(queries.changes(found)),
        "may_change": can(request, "location.change"),
    }
    return render(request, "manager/location.html", context)


@may("location.change")
@GET_OR_POST
def location_new(request: StaffRequest) -> HttpResponse:
    """Add a location."""
    has_one = Location.objects.exists()
    form = NewLocationForm(posted(request), initial=NewLocationForm.first(request.zone if has_one else ""))

    def write() -> Location:
        weekdays = [int(day) for day in form.cleaned_data["weekdays"]]
        return service.add_location(form.details(), weekdays=weekdays, by=request.staff.user)

    if request.method == "POST" and (made := written(form, write)):
        messages.success(
            request, f"Added: {made.name}. Staff can be invited to it, and patients belong to it."
        )
        return redirect(way_back(request) or reverse("manager:location", args=[made.pk]))
    return ask(
        request, form, title="Add a location", action="Add the location",
        text="Patients belong to a location, and parts are dispensed at one. All of this can be changed "
        "later.",
        back_url=way_back(request) or reverse("manager:locations"), back_label="Locations",
    )  # fmt: skip


@may("location.change")
@GET_OR_POST
def location_edit(request: StaffRequest, pk: int) -> HttpResponse:
    """Correct a location."""
    found = access.any_location_or_404(pk)
    title = f"Change {found.name}"
    form = LocationForm(posted(request), initial=LocationForm.initial_of(found))

    def write() -> str:
        return f"Saved: {service.change_location(found, form.details(), by=request.staff.user).name}."

    return act(
        request, form, write, title=title, action="Save the location",
        text="Days on record stay as they are, whatever the time zone. An import finds a location by its "
        "name.",
        back_url=reverse("manager:location", args=[pk]), back_label="Locations",
    )  # fmt: skip


@may("location.change")
@GET_OR_POST
def location_close(request: StaffRequest, pk: int) -> HttpResponse:
    """Close a location, or open a closed one again."""
    found = access.any_location_or_404(pk)
    is_open = found.closed_on is None

    def write() -> str:
        if is_open:
            service.close_location(found, on=clock.today(found.time_zone), by=request.staff.user)
            return f"{found.name} is closed."
        service.open_location(found, by=request.staff.user)
        return f"{found.name} is open again."

    text = (
        "Nobody new belongs to it and nothing more is dispensed there. Its records stay, and it can be "
        "opened again. Patients on therapy are given another location first."
        if is_open
        else "Patients may belong to it again, and parts are dispensed there."
    )
    return act(
        request, confirmed(request), write, title=f"{'Close' if is_open else 'Open'} {found.name}", text=text,
        action="Close the location" if is_open else "Open it again",
        back_url=reverse("manager:location", args=[pk]), back_label="Locations",
    )  # fmt: skip
