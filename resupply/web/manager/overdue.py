"""The overdue list: on screen, as CSV, and for paper."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell, csv_lines
from resupply.models import PlanLine
from resupply.queries.overdue import (
    AGES,
    OverdueFilter,
    Place,
    overdue_by_age,
    overdue_page,
    overdue_rows,
)
from resupply.rules.tables import part_types
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.bars import Total, with_share
from resupply.web.manager.forms import OverdueForm
from resupply.web.paging import filters_of, place_in, turned, with_filters
from resupply.web.wording import kind_word

PRINTED = 1000
"""Rows on paper at most; beyond them the CSV is the better tool."""
_MARKS = ("", "", "attention", "alarm", "alarm")
_HEADER = (
    "patient_ref", "given_name", "family_name", "birth_date", "phone", "location", "payer", "kind",
    "part_code", "supply_ended_on", "days_overdue", "covered_from", "last_asked_on",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One overdue line as it is shown."""

    line: PlanLine
    days: int
    part: str
    kind: str
    waiting: bool
    """Coverage opens later than today."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The list that an address asks for."""

    form: OverdueForm
    wanted: OverdueFilter
    longest_first: bool
    today: date


@may("overdue.see")
@require_GET
def overdue(request: StaffRequest) -> HttpResponse:
    """A page of the list, and how many lines there are by age of delay."""
    asked = _asked(request)
    page = overdue_page(
        asked.wanted,
        today=asked.today,
        longest_first=asked.longest_first,
        after=_place(request.GET.get("after", "")),
        before=_place(request.GET.get("before", "")),
    )
    context = {
        "form": asked.form,
        "today": asked.today,
        "rows": [_row(line, asked.today) for line in page.rows],
        "totals": _totals(request, asked),
        "newer_url": turned(request, "before", _pair(page.before)),
        "older_url": turned(request, "after", _pair(page.after)),
        "list_url": reverse("manager:overdue"),
        "csv_url": with_filters(request, "manager:overdue_csv"),
        "print_url": with_filters(request, "manager:overdue_print"),
        "is_narrowed": asked.wanted != OverdueFilter(location_ids=request.location_ids or None),
    }
    return render(request, "manager/overdue.html", context)


@may("overdue.export")
@require_GET
def overdue_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Every row of the list as CSV, sent as it is read."""
    asked = _asked(request)
    response = StreamingHttpResponse(
        csv_lines(_HEADER, _cells(overdue_rows(asked.wanted, today=asked.today), asked.today)),
        content_type="text/csv; charset=utf-8",
    )
    response["Content-Disposition"] = f'attachment; filename="overdue-{asked.today.isoformat()}.csv"'
    response["Cache-Control"] = "no-store"
    return response


@may("overdue.see")
@require_GET
def overdue_print(request: StaffRequest) -> HttpResponse:
    """The list for paper, without pages."""
    asked = _asked(request)
    lines = overdue_rows(asked.wanted, today=asked.today)
    rows = [_row(line, asked.today) for line, _ in zip(lines, range(PRINTED + 1), strict=False)]
    context = {
        "today": asked.today,
        "rows": rows[:PRINTED],
        "is_cut": len(rows) > PRINTED,
        "printed": PRINTED,
        "choices": _choices(asked.form),
        "list_url": with_filters(request, "manager:overdue"),
    }
    return render(request, "manager/overdue_print.html", context)


def _asked(request: StaffRequest) -> Asked:
    """The filters; what does not fit a field is shown there and does not narrow the list."""
    places = access.locations(request)
    form = OverdueForm(request.GET, locations=places)
    form.is_valid()
    chosen = form.cleaned_data.get("location") or places.first()
    today = clock.today(chosen.time_zone if chosen else "UTC")
    return Asked(form, form.wanted(request.location_ids), form.longest_first, today)


def _row(line: PlanLine, today: date) -> Row:
    part, kind = part_types().get(line.part_code), kind_word(line.kind)
    name = part.name if part else line.part_code
    return Row(
        line,
        (today - line.supply_ends_on).days,
        "" if name.casefold() == kind.casefold() else name,
        kind,
        line.covered_from is not None and line.covered_from > today,
    )


def _cells(lines: Iterator[PlanLine], today: date) -> Iterator[list[Cell]]:
    for line in lines:
        patient = line.patient
        asked_at = getattr(line, "last_asked_at", None)
        yield [
            patient.reference, patient.given_name, patient.family_name, patient.birth_date, patient.phone,
            line.location.name, line.payer.name if line.payer else "", line.kind, line.part_code,
            line.supply_ends_on, (today - line.supply_ends_on).days, line.covered_from,
            asked_at.date() if asked_at else None,
        ]  # fmt: skip


def _totals(request: StaffRequest, asked: Asked) -> list[Total]:
    """Counts by age of delay; each leads to its own rows."""
    counts = overdue_by_age(asked.wanted, today=asked.today)
    rows = []
    for (low, high), count, mark in zip(AGES, counts, _MARKS, strict=True):
        query = filters_of(request)
        query["least"], query["most"] = str(low), str(high or "")
        label = f"{low} to {high} days" if high else f"more than {low - 1} days"
        rows.append(Total(label, count, f"?{query.urlencode()}", mark))
    return with_share(rows)


def _choices(form: OverdueForm) -> list[str]:
    """What the list is narrowed to, in words, for paper."""
    words = []
    for name in ("location", "payer", "kind"):
        if form.cleaned_data.get(name):
            shown = dict(form.fields[name].choices)  # type: ignore[attr-defined]
            words.append(
                str(form.cleaned_data["location"] if name == "location" else shown[form.cleaned_data[name]])
            )
    if form.cleaned_data.get("least"):
        words.append(f"overdue at least {form.cleaned_data['least']} days")
    if form.cleaned_data.get("most"):
        words.append(f"overdue at most {form.cleaned_data['most']} days")
    return words


def _pair(place: Place | None) -> tuple[date, int] | None:
    return (place.supply_ends_on, place.pk) if place else None


def _place(text: str) -> Place | None:
    found = place_in(text)
    return Place(*found) if found else None
