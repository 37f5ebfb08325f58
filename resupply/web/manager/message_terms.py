"""When and how often messages go out: the terms in force and every version. Changed by drafts of policy."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import message_terms as queries
from resupply.web.access import StaffRequest, may


@may("message_terms.see")
@require_GET
def message_terms(request: StaffRequest) -> HttpResponse:
    """The terms in force, and every version."""
    today = clock.today(request.zone)
    context = {
        "today": today,
        "now": queries.schedule().on(today),
        "versions": queries.versions(),
    }
    return render(request, "manager/message_terms.html", context)
