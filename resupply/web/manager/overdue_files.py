"""The overdue list as files: CSV and .xlsx of today at once, any past day by a job in the background."""

from collections.abc import Iterator
from datetime import date
from itertools import islice
from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.overdue_tables import HEADER, cells
from resupply.delivery.tables_out import Cell
from resupply.queries.overdue_known import each_looked_up
from resupply.services import jobs
from resupply.services.overdue_files import AS_OF
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.files import MOST_IN_A_WORKBOOK, csv_file, workbook_file
from resupply.web.manager.forms import PastDayForm
from resupply.web.manager.overdue import asked_for
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import with_filters
from resupply.web.wording import day_words

if TYPE_CHECKING:
    from resupply.queries.overdue import OverdueLine


@may("overdue.export")
@require_GET
def overdue_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Every row of the list as CSV, sent as it is read."""
    asked = asked_for(request, request.GET)
    lines = asked.rows()
    return csv_file(f"overdue-{asked.today.isoformat()}", HEADER, _cells(lines, asked.today))


@may("overdue.export")
@require_GET
def overdue_xlsx(request: StaffRequest) -> HttpResponseBase:
    """The rows of the list as a workbook; a longer list is narrowed first, or taken as CSV."""
    asked = asked_for(request, request.GET)
    lines = list(islice(asked.rows(), MOST_IN_A_WORKBOOK + 1))
    if len(lines) > MOST_IN_A_WORKBOOK:
        messages.error(
            request,
            f"This list has more than {MOST_IN_A_WORKBOOK:,} lines. Narrow it, or download it as CSV.",
        )
        return redirect(with_filters(request, "manager:overdue"))
    day, rows = asked.today.isoformat(), _cells(iter(lines), asked.today)
    return workbook_file(f"overdue-{day}", f"Overdue {day}", HEADER, rows)


@may("overdue.export")
@GET_OR_POST
def overdue_past(request: StaffRequest) -> HttpResponse:
    """Ask for the list as of a past day; a worker works it out."""
    today = clock.today(request.zone)
    form = PastDayForm(
        posted(request),
        locations=access.locations(request),
        today=today,
    )
    if request.method == "POST" and form.is_valid():
        day, place = form.cleaned_data["day"], form.cleaned_data["location"]
        places = frozenset({place.pk}) if place else request.location_ids
        job = jobs.ask(
            AS_OF,
            {"day": day.isoformat(), "location_ids": sorted(places), "form": form.cleaned_data["form"]},
            title=f"Overdue as of {day_words(day, today=None)}{f', {place.name}' if place else ''}",
            permission="overdue.export",
            location_ids=places,
            back_url=reverse("manager:overdue"),
            by=request.staff.user,
            now=clock.now(),
        )
        return redirect("job", job.public_id)
    context = {"form": form, "today": today}
    return render(request, "manager/overdue_past.html", context, status=422 if form.is_bound else 200)


def _cells(lines: "Iterator[OverdueLine]", today: date) -> Iterator[list[Cell]]:
    for line, looked in each_looked_up(lines, today=today):
        yield cells(line, looked, today=today)
