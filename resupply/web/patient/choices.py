"""A patient's choices about messages, on the own page: what about, by which way, and the end of all of it."""

from http import HTTPStatus

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import render

from resupply import clock
from resupply.delivery.texts import takes_texts
from resupply.models import Channel, Patient
from resupply.rules.patient_page import words
from resupply.rules.purposes import Purpose
from resupply.services import choices as choice_services
from resupply.services.choices import CHOICES, Choice
from resupply.services.errors import Refused
from resupply.web.methods import GET_HEAD_OR_POST
from resupply.web.patient.doors import PatientRequest, door, frame

_WAYS = {Channel.MAIL.value: "by_mail", Channel.TEXT.value: "by_text", Channel.PHONE.value: "by_phone"}


@door
@GET_HEAD_OR_POST
def choices(request: PatientRequest) -> HttpResponse:
    """The choices as they stand; POST saves them, stops everything, or takes that back."""
    person, now, said = request.patient, clock.now(), words(request.language)
    if "stop" in request.POST:
        choice_services.stop_everything(person, now=now)
        return _page(request, done=said["stopped_all"], more=said["stopped_more"], undo=True)
    if "undo" in request.POST:
        try:
            choice_services.undo_stop(person, now=now)
        except Refused:
            return _page(request, done=said["cannot_undo"], status=HTTPStatus.CONFLICT)
        return _page(request, done=said["undone"])
    if request.method == "POST":
        shown = _shown(person)
        preferred = request.POST.get("preferred", "")
        choice_services.choose(
            person,
            {choice for choice in shown if _name(choice) in request.POST},
            among=shown,
            preferred=preferred if preferred in (Channel.MAIL, Channel.TEXT) else "",
            detailed=request.POST.get("wording") == "detailed",
            now=now,
        )
        return _page(request, done=said["messages_saved"])
    return _page(request)


def _page(
    request: PatientRequest,
    *,
    done: str = "",
    more: str = "",
    undo: bool = False,
    status: int = HTTPStatus.OK,
) -> HttpResponse:
    said, person = words(request.language), request.patient
    held, shown = choice_services.choices_of(person), _shown(person)
    wish = choice_services.wish_of(person)
    groups = [
        (
            said[way],
            [
                (_name(choice), said[f"purpose_{choice[1] or 'call'}"], choice in held)
                for choice in shown
                if choice[0] == channel
            ],
        )
        for channel, way in _WAYS.items()
    ]
    writing = [channel for channel in (Channel.MAIL, Channel.TEXT) if _address(person, channel)]
    context = frame(request) | {
        "groups": [group for group in groups if group[1]],
        "ways": [(channel.value, said[_WAYS[channel]]) for channel in writing] if len(writing) > 1 else [],
        "preferred": wish.channel if wish and wish.channel else Channel.MAIL.value,
        "is_detailed": bool(wish and wish.detailed),
        "done": done,
        "more": more,
        "undo": undo,
    }
    return render(request, "patient/choices.html", context, status=status)


def _shown(person: Patient) -> list[Choice]:
    """Choices for which an address is on record."""
    return [choice for choice in CHOICES if _address(person, choice[0])]


def _address(person: Patient, channel: str) -> str:
    """Where a channel reaches the patient; empty: it cannot, or this clinic sends no texts."""
    if channel == Channel.TEXT and not (settings.TEXT_URL and takes_texts(person.phone)):
        return ""
    return person.email if channel == Channel.MAIL else person.phone


def _name(choice: Choice) -> str:
    return f"{choice[0]}-{choice[1] or Purpose.QUESTION.value}"
