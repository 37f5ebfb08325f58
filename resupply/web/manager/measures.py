"""Measures by month and location: a finding, a picture and a table each, the same numbers as CSV."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell as TableCell
from resupply.models import Location
from resupply.queries.measures import Cell, Key, measured, months_until, quantile, together
from resupply.services import jobs
from resupply.services.measures import PAST_MONTHS, missing_months
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import ask
from resupply.web.files import csv_file
from resupply.web.forms import AtLocationForm, any_location, dress
from resupply.web.manager.measure_charts import Chart, chart
from resupply.web.manager.measure_words import MEASURES, Measure
from resupply.web.methods import GET_OR_POST
from resupply.web.paging import with_filters
from resupply.web.wording import counted, month_words

_HEADER = (
    "month", "location", "lines", "lines_in_supply", "lines_overdue", "days_overdue_median",
    "days_overdue_90", "questions_asked", "questions_answered", "answered_yes", "led_to_parts",
    "parts_from_a_yes", "days_from_yes_median", "days_from_yes_90", "messages_sent", "messages_failed",
    "patients_with_own_page", "patients_who_ticked",
)  # fmt: skip


class MeasuresForm(AtLocationForm):
    """Which locations the measures are of."""

    location = any_location("All my locations")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        dress(self)


@dataclass(frozen=True, slots=True)
class Shown:
    """One measure as the page shows it; a row is a month or a location, and its cells."""

    measure: Measure
    finding: str
    chart: Chart
    by_month: list[tuple[str, tuple[str, ...]]]
    by_place: list[tuple[str, tuple[str, ...]]]


@may("measures.see")
@require_GET
def measures(request: StaffRequest) -> HttpResponse:
    """Every measure of the last year."""
    form, places, today = _asked(request)
    cells, months = measured([place.pk for place in places], today=today), months_until(today)
    context = {
        "form": form,
        "shown": [_shown(measure, cells, places, months) for measure in MEASURES],
        "is_empty": all(cell == Cell() for cell in cells.values()),
        "months": [month_words(month) for month in months],
        "place": form.cleaned_data.get("location"),
        "to_work_out": [month_words(month) for month in missing_months(today=today)],
        "may_work_out": not request.location_ids,
        "csv_url": with_filters(request, "manager:measures_csv"),
        "list_url": reverse("manager:measures"),
        "today": today,
    }
    return render(request, "manager/measures.html", context)


@may("measures.see")
@require_GET
def measures_csv(request: StaffRequest) -> StreamingHttpResponse:
    """The counts behind the measures, a row for each month and location."""
    _, places, today = _asked(request)
    cells = measured([place.pk for place in places], today=today)
    rows = _rows(cells, {place.pk: place.name for place in places})
    return csv_file(f"measures-{today.isoformat()}", _HEADER, rows)


@may("measures.see")
@GET_OR_POST
def measures_past(request: StaffRequest) -> HttpResponse:
    """Have the months that are not on record worked out in the background."""
    today = clock.today(request.zone)
    months = missing_months(today=today)
    if request.method == "POST" and months and not request.location_ids:
        job = jobs.ask(
            PAST_MONTHS,
            {"months": [month.isoformat() for month in months]},
            title="Supply at the ends of past months",
            permission="measures.see",
            back_url=reverse("manager:measures"),
            by=request.staff.user,
            now=clock.now(),
        )
        return redirect("job", job.public_id)
    if request.method == "POST":
        messages.error(request, "There is nothing to work out, or it is for those who work everywhere.")
        return redirect("manager:measures")
    return ask(
        request, None, title="Work out past months", action="Work out the months",
        text=f"Supply at the end of {counted(len(months), 'month')} is worked out by the rules, from the "
        "facts that stand now, patient by patient, in the background.",
        back_url=reverse("manager:measures"), back_label="Measures",
    )  # fmt: skip


def _asked(request: StaffRequest) -> tuple[MeasuresForm, list[Location], date]:
    """The form, the locations that are measured, and the day there."""
    mine = access.locations(request)
    form = MeasuresForm(request.GET, locations=mine)
    form.is_valid()
    chosen = form.cleaned_data.get("location")
    places = [chosen] if chosen else list(mine)
    return form, places, clock.today(places[0].time_zone if places else "UTC")


def _shown(measure: Measure, cells: dict[Key, Cell], places: list[Location], months: list[date]) -> Shown:
    series = [(month, together(cells[month, place.pk] for place in places)) for month in months]
    return Shown(
        measure,
        measure.finding(series),
        chart(
            months,
            [measure.value(cell) for _, cell in series],
            [measure.mark(cell) for _, cell in series],
            unit=measure.unit,
        ),
        [(month_words(month), measure.cells(cell)) for month, cell in reversed(series)],
        [(place.name, measure.cells(cells[months[-1], place.pk])) for place in places],
    )


def _rows(cells: dict[Key, Cell], names: dict[int, str]) -> Iterator[list[TableCell]]:
    for (month, place), cell in sorted(cells.items()):
        yield [
            month.isoformat()[:7], names[place], cell.lines, cell.in_supply, sum(cell.days_overdue.values()),
            quantile(cell.days_overdue, 0.5), quantile(cell.days_overdue, 0.9), cell.asked, cell.answered,
            cell.yes, cell.dispensed, sum(cell.waits.values()), quantile(cell.waits, 0.5),
            quantile(cell.waits, 0.9), cell.sent, cell.failed, cell.may_tick, cell.ticked,
        ]  # fmt: skip
