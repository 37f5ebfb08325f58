"""A patient's calendar links, on the own page: make one, change what it shows, renew it, end it, and see
whether it is read.
"""

from http import HTTPStatus
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render

from resupply import clock
from resupply.delivery import addresses
from resupply.models import Subscription
from resupply.queries import feeds as feed_queries
from resupply.rules.patient_page import said_day, said_hour, words
from resupply.services import feeds
from resupply.services.errors import Refused
from resupply.services.records import local_day
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.patient.doors import PatientRequest, door, frame, to
from resupply.web.patient.forms import CALENDAR_CHOICES, OwnCalendarForm
from resupply.web.patient_page import read_said
from resupply.web.qr import qr_svg

MOST_LINKS = 5
"""More live links than anybody has programs; then one has to end first."""


@door
@GET_HEAD_OR_POST
def calendar(request: PatientRequest) -> HttpResponse:
    """The links in use and a form for another; the answer shows a new link this once."""
    data = posted(request)
    form = OwnCalendarForm(data, language=request.language)
    live = feed_queries.of_patient(request.patient).filter(revoked_at=None).select_related("patient")
    context, said = frame(request) | {"form": form}, words(request.language)
    if data is not None and form.is_valid():
        if live.count() >= MOST_LINKS:
            context["refusal"] = said["calendar_most"]
        else:
            try:
                return _shown_once(
                    request, feeds.subscribe(request.patient, form.options(), by=None, now=clock.now())
                )
            except Refused:
                form.add_error(None, said["calendar_nothing"])
    context["live"] = [_said(one, request) for one in live]
    is_refused = bool(form.errors or context.get("refusal"))
    status = HTTPStatus.UNPROCESSABLE_ENTITY if is_refused else HTTPStatus.OK
    return render(request, "patient/calendar.html", context, status=status)


@door
@GET_HEAD_OR_POST
def change(request: PatientRequest, public_id: UUID) -> HttpResponse:
    """What one calendar shows; a new link for it; its end."""
    live = feed_queries.of_patient(request.patient).filter(revoked_at=None).select_related("patient")
    one = live.filter(public_id=public_id).first()
    if one is None:
        return to(request, "calendar")
    now, said = clock.now(), words(request.language)
    if "renew" in request.POST:
        return _shown_once(request, feeds.renew(one, by=None, now=now))
    if "end" in request.POST:
        feeds.revoke(one, by=None, now=now)
        return _done(request, "calendar_ended", "calendar_delete")
    data = posted(request)
    form = OwnCalendarForm(data, language=request.language, initial=OwnCalendarForm.first(one))
    if data is not None and form.is_valid():
        try:
            feeds.change(one, form.options(label=one.label), now=now)
            return _done(request, "calendar_saved")
        except Refused:
            form.add_error(None, said["calendar_nothing"])
    context = frame(request) | {"form": form, "one": _said(one, request)}
    status = HTTPStatus.UNPROCESSABLE_ENTITY if form.errors else HTTPStatus.OK
    return render(request, "patient/calendar_change.html", context, status=status)


def _shown_once(request: PatientRequest, issued: feeds.Issued) -> HttpResponse:
    """The page with a new link: nothing keeps it."""
    address = addresses.calendar(issued.token)
    webcal = "webcal:" + address.partition(":")[2]
    title = words(request.language)["calendar_address"]
    shown = {"address": address, "webcal": webcal, "qr": qr_svg(webcal, title=title)}
    return render(request, "patient/calendar_address.html", frame(request) | shown)


def _done(request: PatientRequest, *keys: str) -> HttpResponse:
    """What has happened, with the way back to the calendar."""
    said = words(request.language)
    text, *more = (said[key] for key in keys)
    shown = {"text": text, "more": more, "next": ("calendar", said["calendar_back"])}
    return render(request, "patient/done.html", frame(request) | shown)


def _said(one: Subscription, request: PatientRequest) -> dict[str, object]:
    """A link in use: when it was made, what it shows, whether a program reads it."""
    said, zone = words(request.language), request.patient.time_zone
    today = clock.today(zone)
    made = said_day(local_day(one.created_at, zone), request.language, today=today)
    shows = [said[key] for name, key in CALENDAR_CHOICES.items() if getattr(one, name)]
    if one.alarm_hour is not None:
        shows.append(said["calendar_rings"].format(hour=said_hour(one.alarm_hour, request.language)))
    return {
        "public_id": one.public_id,
        "name": said["calendar_of"].format(day=made),
        "shows": [words[0].upper() + words[1:] for words in shows],
        "read": read_said(one, request.language, today),
    }
