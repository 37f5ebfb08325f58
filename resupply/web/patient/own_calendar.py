"""A patient's calendar links, on the own page: make one, see whether it is read, end it."""

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from resupply import clock
from resupply.models import Subscription
from resupply.queries import feeds as feed_queries
from resupply.rules.patient_page import said_day, words
from resupply.services import feeds
from resupply.services.errors import Refused
from resupply.services.records import local_day
from resupply.web.patient.doors import PatientRequest, door
from resupply.web.patient.forms import OwnCalendarForm
from resupply.web.qr import qr_svg

MOST_LINKS = 5
"""More live links than anybody has programs; then one has to end first."""


@door
@require_http_methods(["GET", "HEAD", "POST"])
def calendar(request: PatientRequest) -> HttpResponse:
    """The links in use and a form for another; the answer shows a new link this once."""
    said, person = words(request.language), request.patient
    data = request.POST if request.method == "POST" and "end" not in request.POST else None
    form = OwnCalendarForm(data, language=request.language)
    context: dict[str, object] = {
        "words": said,
        "language": request.language,
        "token": request.token,
        "form": form,
    }
    live = feed_queries.of_patient(person).filter(revoked_at=None)
    if request.method == "POST" and "end" in request.POST:
        context["says"] = _end(request, said["calendar_ended"])
    elif data is not None and form.is_valid():
        if live.count() >= MOST_LINKS:
            context["refusal"] = said["refused"]
        else:
            context |= _make(request, form)
    context["live"] = [_said(one, request) for one in live.all()]
    return render(request, "patient/calendar.html", context, status=422 if context.get("refusal") else 200)


def _make(request: PatientRequest, form: OwnCalendarForm) -> dict[str, object]:
    """A new link, shown this once; or why there is none."""
    try:
        issued = feeds.subscribe(request.patient, form.options(), by=None, now=clock.now())
    except Refused:
        return {"refusal": words(request.language)["choose"]}
    address = settings.PUBLIC_URL + reverse("feed:calendar", args=[issued.token])
    webcal = "webcal:" + address.partition(":")[2]
    title = words(request.language)["calendar_address"]
    return {"address": address, "webcal": webcal, "qr": qr_svg(webcal, title=title)}


def _end(request: PatientRequest, says: str) -> str:
    """End one of this patient's links; one that has ended stays ended."""
    for one in feed_queries.of_patient(request.patient).filter(revoked_at=None):
        if str(one.public_id) == request.POST.get("end"):
            feeds.revoke(one, by=None, now=clock.now())
    return says


def _said(one: Subscription, request: PatientRequest) -> dict[str, str]:
    """A link in use: when it was made, whether a program reads it."""
    said, zone = words(request.language), request.patient.time_zone
    today = clock.today(zone)
    made = said_day(local_day(one.created_at, zone), request.language, today=today)
    read = said["calendar_never"]
    if one.last_fetched_at:
        day = said_day(local_day(one.last_fetched_at, zone), request.language, today=today)
        read = said["calendar_read"].format(day=day)
    return {"id": str(one.public_id), "name": said["calendar_of"].format(day=made), "read": read}
