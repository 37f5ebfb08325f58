"""The demo's mail and texts, as its patients would have received them."""

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.mailbox import list_messages
from resupply.delivery.texts import list_texts, shown
from resupply.web.access import StaffRequest, may


@may("demo.mail")
@require_GET
def mail(request: StaffRequest) -> HttpResponse:
    """The newest messages; outside the demo there is no such page."""
    if not settings.DEMO:
        raise Http404
    texts = [(text, shown(text.to)) for text in list_texts()]
    context = {"mails": list_messages(), "texts": texts, "today": clock.today("UTC")}
    return render(request, "desk/mail.html", context)
