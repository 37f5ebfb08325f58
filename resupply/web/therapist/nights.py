"""Nights: brought in from a file, use in the first months, leak since the cushion's start, on one page."""

from collections.abc import Sequence
from datetime import date
from functools import partial
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import Night, Patient
from resupply.queries import nights as nights_of
from resupply.queries.strips import strip_data
from resupply.rules.kinds import Kind
from resupply.services import nights as service
from resupply.services import plans
from resupply.services.importing.report import Problem
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST
from resupply.web.therapist.night_chart import ENOUGH_HOURS, night_chart
from resupply.web.wording import counted, kind_word, span_words

LARGEST_FILE = 1_000_000
MOST_SHOWN = 30
"""Problems of a file that are listed."""


class NightsForm(forms.Form):
    """A file of nights."""

    file = forms.FileField(
        label="File of nights",
        widget=forms.FileInput({"accept": ".csv,text/csv"}),
        help_text="CSV with one row a night: night_date (the evening), usage_min or usage_h; besides, where "
        "known, ahi_flow, press_p50_cmh2o, press_p95_cmh2o, leak_p50_lpm, leak_p95_lpm (or _hpa, _lps), "
        "leak_kind (total, unintentional, unknown) and source.",
    )

    def clean_file(self) -> bytes:
        """The file's bytes, within the limit."""
        sent = self.cleaned_data["file"]
        if sent.size > LARGEST_FILE:
            raise forms.ValidationError("The file is larger than 1 MB: send the nights of one patient.")
        return bytes(sent.read())


@may("nights.record")
@GET_OR_POST
def nights(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The nights of a patient as a chart and table, what they say, and a file to bring in more."""
    person = access.patient_or_404(request, public_id)
    now, today = clock.now(), clock.today(person.time_zone)
    form = NightsForm(request.POST, request.FILES) if request.method == "POST" else NightsForm()
    problems: list[Problem] = []
    if request.method == "POST" and form.is_valid():
        rows, report = service.read_nights(form.cleaned_data["file"], today=today)
        problems = report.errors
        if not problems and (done := written(form, lambda: _record(request, person, rows))):
            messages.success(request, _said(done))
            return redirect("therapist:nights", person.public_id)
    plans.refresh_if_run_out(person, now=now)
    kept = nights_of.nights_of(person)
    lines = list(person.plan_lines.all())
    last = service.last_night_over(person, now)
    leaks = nights_of.leak_since(kept, lines, as_of=today)
    context = {
        "person": person,
        "today": today,
        "form": form,
        "problems": problems[:MOST_SHOWN],
        "problem_count": len(problems),
        "nights": kept[::-1][:120],
        "night_count": len(kept),
        "chart": night_chart(kept, _installs(person, today), last=kept[-1].night_on) if kept else None,
        "first_months": nights_of.first_months(person, kept, last_night_over=last),
        "leaks": leaks,
        "finding": _finding(kept, leaks) if kept else "",
        "imports": nights_of.imports_of(person),
    }
    return render(request, "therapist/nights.html", context, status=422 if form.errors or problems else 200)


@may("nights.record")
@GET_OR_POST
def nights_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a file of nights back with a reason."""
    brought = access.night_import_or_404(request, public_id)
    person, today = brought.patient, clock.today(brought.patient.time_zone)
    days = span_words(brought.first_night, brought.last_night, today=today)
    name = f"{counted(brought.rows, 'night')} of {days}"

    return take_back(
        request, partial(service.void_import, brought), done=f"Voided: {name}.",
        person=person, title=f"Void the {name.removeprefix('1 ')}", action="Void the nights",
        text="For nights that were another patient's or another device's. They stay on record, marked.",
        back_url=reverse("therapist:nights", args=[person.public_id]),
    )  # fmt: skip


def _record(request: StaffRequest, person: Patient, rows: list[service.NightRow]) -> service.Recorded:
    return service.record_nights(person, rows, by=request.staff.user, now=clock.now())


def _said(done: service.Recorded) -> str:
    """What a file came to, in words."""
    parts = [f"{counted(done.added, 'night')} added"] if done.added else []
    parts += [f"{done.replaced} replaced"] if done.replaced else []
    parts += [f"{done.known} known already"] if done.known else []
    return f"{', '.join(parts)}."


def _installs(person: Patient, today: date) -> list[tuple[str, date]]:
    """Every part that was begun, with the day, by the records: the mask first."""
    worn = strip_data(person, today=today).lines
    return [
        (kind_word(kind), unit.started_on)
        for kind in Kind
        if kind in worn
        for unit in worn[kind].units
        if unit.started_on <= today
    ]


def _finding(nights: Sequence[Night], leaks: Sequence[nights_of.LeakSince]) -> str:
    """What the chart shows, in a sentence."""
    for leak in leaks:
        if leak.look.found:
            return f"Leak has risen with the {kind_word(leak.kind).lower()} in use"
    last = nights[-30:]
    enough = sum(night.usage_min >= ENOUGH_HOURS * 60 for night in last)
    if len(last) == 1:
        return f"Used for {'4 hours or more' if enough else 'less than 4 hours'} on the one night on record"
    return f"Used for 4 hours or more on {enough} of the last {len(last)} nights on record"
