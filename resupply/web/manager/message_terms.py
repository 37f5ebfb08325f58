"""When and how often messages go out: the terms in force and every version. Changed by drafts of policy."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import message_terms as queries
from resupply.web.access import StaffRequest, may
from resupply.web.manager.policy_other_words import hours_caution


@may("message_terms.see")
@require_GET
def message_terms(request: StaffRequest) -> HttpResponse:
    """The terms in force, and every version."""
    today = clock.today(request.zone)
    now = queries.schedule().on(today)
    context = {
        "today": today,
        "now": now,
        "caution": hours_caution(now.hours, day=today),
        "versions": queries.versions(),
    }
    return render(request, "manager/message_terms.html", context)
