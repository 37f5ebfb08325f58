"""Follow-ups: whom to contact, what to ask, and what to do about what troubles them."""

from datetime import timedelta
from functools import partial
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import FollowUp, Patient, Told
from resupply.queries import follow_ups as follow_ups_of
from resupply.queries import nights as nights_of
from resupply.queries import worklists
from resupply.queries.fittings import style_worn
from resupply.queries.reevaluations import reevaluating
from resupply.rules import fitting
from resupply.rules.fitting import Remedy
from resupply.rules.follow_ups import FollowUpState
from resupply.services import follow_ups as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.therapist.follow_up_forms import FollowUpForm
from resupply.web.wording import day_words

ABOUT_FIT = (Told.LEAK, Told.SORE, Told.UNUSED)
"""What patients report that is a therapist's to follow up."""
RECENT = timedelta(days=14)
"""Nights older than that say nothing of how leak is now."""


@may("follow_up.record")
@require_GET
def work(request: StaffRequest) -> HttpResponse:
    """Patients to be contacted, and those whose leak has risen since their cushion's first nights."""
    places = list(access.locations(request))
    today = clock.today(places[0].time_zone if places else "UTC")
    context = {
        "today": today,
        "work": follow_ups_of.work_list(request.location_ids, today=today),
        "reported": worklists.reported(request.location_ids, today=today)
        .filter(told__in=ABOUT_FIT)
        .order_by("recorded_at"),
        "reevaluating": reevaluating(request.location_ids, today=today),
        "leaking": nights_of.rising_leak(request.location_ids, today=today, recent=today - RECENT),
    }
    return render(request, "therapist/work.html", context)


@may("follow_up.record")
@GET_OR_POST
def follow_up(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A patient's follow-ups and one more; what troubles the patient brings up what to try."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    steps = follow_ups_of.steps_of(person, today=today)
    style = style_worn(person, today=today)
    form = FollowUpForm(posted(request), initial=_first(steps, today), steps=steps, style=style)
    if request.method == "POST" and (made := written(form, lambda: _record(request, person, form))):
        messages.success(request, f"Follow-up of {day_words(made.on, today=today)} recorded.")
        return redirect("therapist:follow_up", person.public_id)
    rows = follow_ups_of.follow_ups(person)
    context = {
        "person": person,
        "today": today,
        "form": form,
        "steps": steps,
        "rows": [(row, _problems(row)) for row in rows],
        "remedies": _remedies(rows, style),
    }
    return render(request, "therapist/follow_up.html", context, status=422 if form.errors else 200)


@may("follow_up.record")
@GET_OR_POST
def follow_up_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a follow-up back with a reason."""
    row = access.follow_up_or_404(request, public_id)
    person = row.patient
    name = f"follow-up of {day_words(row.on, today=clock.today(person.time_zone))}"

    return take_back(
        request, partial(service.void_follow_up, row), done=f"Voided: {name}.",
        person=person, title=f"Void the {name}", action="Void the follow-up",
        text="The record stays, struck through, with your reason.",
        back_url=reverse("therapist:follow_up", args=[person.public_id]),
    )  # fmt: skip


def _record(request: StaffRequest, person: Patient, form: FollowUpForm) -> FollowUp:
    data = form.cleaned_data
    return service.record_follow_up(
        patient=person,
        on=data["on"],
        step=data["step"],
        reached=data["reached"],
        problems=data["problems"],
        leaks=form.leaks(),
        is_reevaluation=data["is_reevaluation"],
        note=data["note"],
        again_on=data["again_on"],
        by=request.staff.user,
        now=clock.now(),
    )


def _first(steps: list[follow_ups_of.Step], today: object) -> dict[str, object]:
    """Today, and the first step that is open."""
    open_states = {FollowUpState.DUE, FollowUpState.LATE}
    step = next((step.due.step for step in steps if step.state in open_states), "")
    return {"on": today, "step": step, "reached": "yes"}


def _problems(row: FollowUp) -> list[str]:
    """What troubled the patient, in words; leak with its places."""
    names = {problem.id: problem.name for problem in fitting.problems()}
    sites = fitting.all_sites()
    places = ", ".join(f"{sites[site].name['en'].lower()} {leak}" for site, leak in row.leaks.items())
    words = [names[problem] for problem in row.problems if problem in names]
    return [f"{word} ({places})" if word == names["leak"] and places else word for word in words]


def _remedies(rows: list[FollowUp], style: str) -> list[tuple[str, tuple[Remedy, ...]]]:
    """What to do about what the last follow-up that reached the patient brought up."""
    last = next((row for row in rows if row.reached and not row.is_voided), None)
    if last is None or not style:
        return []
    names = {problem.id: problem.name for problem in fitting.problems()}
    return [
        (names[problem], fitting.remedies(problem, style=style, leaks=list(last.leaks)))
        for problem in last.problems
        if problem in names
    ]
