"""The first steps of a clinic: where they stand, put aside, taken up again, put away."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from resupply import clock
from resupply.rules.first_steps import Step
from resupply.services import first_steps as service
from resupply.services.errors import Refused
from resupply.web.access import StaffRequest, can, may
from resupply.web.first_steps import WORDS
from resupply.web.first_steps import first_steps as shown_steps


@may("first_steps.see")
@require_GET
def first_steps(request: StaffRequest) -> HttpResponse:
    """Every step: done, put aside, next, left."""
    context = {
        "today": clock.today(request.zone),
        "shown": shown_steps(request, now=clock.now()),
        "may_change": can(request, "first_steps.change"),
    }
    return render(request, "manager/first_steps.html", context)


@may("first_steps.change")
@require_POST
def step_aside(request: StaffRequest, step: str) -> HttpResponse:
    """This step is not for us."""
    which = _step_or_404(step)
    try:
        service.put_aside(which, by=request.staff.user, now=clock.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, f"Not for us: {WORDS[which].title}. It can be taken up again here.")
    return redirect("manager:first_steps")


@may("first_steps.change")
@require_POST
def step_up(request: StaffRequest, step: str) -> HttpResponse:
    """It is for us after all."""
    which = _step_or_404(step)
    service.take_up(which, by=request.staff.user, now=clock.now())
    messages.success(request, f"Taken up again: {WORDS[which].title}.")
    return redirect("manager:first_steps")


@may("first_steps.change")
@require_POST
def steps_away(request: StaffRequest) -> HttpResponse:
    """Nothing is left to do: the first page shows the steps no more."""
    if not shown_steps(request, now=clock.now()).summary.is_over:
        messages.error(request, "Some steps are left. Do them, or say that they are not for you.")
        return redirect("manager:first_steps")
    service.put_away(by=request.staff.user, now=clock.now())
    messages.success(request, "Put away. The first steps stay under Manage.")
    return redirect("home")


def _step_or_404(step: str) -> Step:
    try:
        return Step(step)
    except ValueError:
        raise Http404 from None
