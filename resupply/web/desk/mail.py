"""The demo's mail, as its patients would have received it."""

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.mailbox import list_messages
from resupply.web.access import StaffRequest, may


@may("demo.mail")
@require_GET
def mail(request: StaffRequest) -> HttpResponse:
    """The newest messages; outside the demo there is no such page."""
    if not settings.DEMO:
        raise Http404
    return render(request, "desk/mail.html", {"mails": list_messages(), "today": clock.today("UTC")})
