"""A refill question, answered by its link: one page, no sign-in, no cookie, no script.

The path holds a secret, and the secret is all that answering asks for: three taps for a tired person. So the
page says nothing that is not asked about: no name, no date of birth, no address. Opening it records nothing:
mail programs and scanners open links too. Only a pressed button records. The page is kept by nobody, found by
nobody, and says to no other site where one came from; answers that Django would log by their path are marked
as logged already (the site's log formatter scrubs such paths besides).
"""

from dataclasses import dataclass
from datetime import datetime
from http import HTTPStatus
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import translation
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.debug import sensitive_variables

from resupply import clock
from resupply.delivery.calendar_words import KINDS
from resupply.models import RefillAnswer, RefillQuestion, Wish
from resupply.queries import questions as question_queries
from resupply.queries.questions import Asked
from resupply.rules import patient_page
from resupply.rules.kinds import Kind
from resupply.rules.patient_page import LANGUAGES, said_day
from resupply.rules.question_page import words
from resupply.rules.zones import zone_named
from resupply.services import plans, questions
from resupply.services.errors import Refused
from resupply.services.records import local_day
from resupply.web.patient.ask_forms import AskForm, first
from resupply.web.patient.secret import gone, private
from resupply.web.quiet import quiet

UNDO = "undo"
_SHOWN = {"acted", "nothing_left", "not_asked", "not_stopped", "withdrawn"}
"""Refusals that the page itself explains once it is opened again."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was recorded, in words."""

    wish: str
    wanted: list[str]
    not_now: list[str]
    handover: str
    when: str
    needs_person: bool
    is_late: bool


@dataclass(frozen=True, slots=True)
class Asking:
    """A question on somebody's screen: by its link, or on the patient's own page; `address` is the page's."""

    request: HttpRequest
    question: RefillQuestion
    language: str
    address: str
    now: datetime
    is_own_page: bool = False


# The path is the proof of who asks: who cannot guess it can forge nothing. (And a page that names itself to
# nobody sends no origin with its form, which the usual check would refuse.)
@csrf_exempt
@sensitive_variables("token")
def question(request: HttpRequest, token: str) -> HttpResponse:
    """GET shows the question, or what was answered; POST records."""
    if request.method not in ("GET", "HEAD", "POST"):
        return quiet(private(HttpResponseNotAllowed(["GET", "HEAD", "POST"])))
    now = clock.now()
    found = question_queries.behind(token)
    if found is None:
        return private(gone(request, words))
    plans.refresh_if_run_out(found.patient, now=now)
    language = found.patient.language if found.patient.language in LANGUAGES else "en"
    asking = Asking(request, found, language, reverse("ask:question", args=[token]), now)
    with translation.override(language):
        return quiet(private(respond(asking)))


def respond(asking: Asking) -> HttpResponse:
    """Show the question, or record the button that was pressed; whoever calls has let the patient in."""
    return _record(asking) if asking.request.method == "POST" else _show(asking)


def _show(asking: Asking) -> HttpResponse:
    """The form; what was recorded; or that there is nothing to answer."""
    asked = _asked(asking)
    changes = "change" in asking.request.GET
    if asked.answer is not None and asked.answer.is_voided:
        return _page(asking, "nothing")
    if asked.answer is not None and not (changes and asked.can_change and asked.answer.wish != Wish.STOP):
        return _page(asking, "told", asked=asked, told=_told(asked.answer, asking.language))
    if not asked.parts:
        return _page(asking, "nothing")
    return _page(asking, "question", asked=asked, form=_form(asking, asked, initial=first(asked.answer)))


def _record(asking: Asking) -> HttpResponse:
    """Record the button that was pressed and show it; or the form again, with what to mend."""
    sent = asking.request.POST
    try:
        if sent.get("wish") == UNDO:
            questions.take_back_stop(asking.question, now=asking.now)
            return redirect(asking.address)
        asked = _asked(asking)
        form = _form(asking, asked, sent)
        if not form.is_valid() and sent.get("wish") != Wish.STOP:
            return _again(asking, asked, form)
        questions.answer(asking.question, now=asking.now, **_words_of(form))
    except Refused as refusal:
        if refusal.field in {"answered_by", "relation"}:
            form.add_error("answered_by", words(asking.language)["somebody_missing"])
            return _again(asking, asked, form)
        if refusal.code not in _SHOWN:
            raise
        if refusal.code == "not_asked":
            return redirect(f"{asking.address}?change")
    return redirect(asking.address)  # what is on record by now says the rest


def _asked(asking: Asking) -> Asked:
    today = local_day(asking.now, asking.question.patient.time_zone)
    return question_queries.asked(asking.question, day=today, now=asking.now)


def _form(asking: Asking, asked: Asked, data: QueryDict | None = None, **over: Any) -> AskForm:
    usual = question_queries.usual_handover(asking.question.patient)
    return AskForm(data, parts=asked.parts, language=asking.language, handover=usual, **over)


def _again(asking: Asking, asked: Asked, form: AskForm) -> HttpResponse:
    """The form with what to mend; nothing was recorded."""
    return _page(asking, "question", HTTPStatus.UNPROCESSABLE_ENTITY, asked=asked, form=form)


def _words_of(form: AskForm) -> dict[str, Any]:
    """What was said. An opt-out holds whatever else is wrong with the form."""
    if form.is_valid():
        return form.answer()
    return {"wish": Wish.STOP, "items": [], "still_using": None, "handover": form.usual_handover}


def _told(answer: RefillAnswer, language: str) -> Told:
    said, names = words(language), KINDS[language]
    items = list(answer.items.order_by("pk"))
    local = answer.answered_at.astimezone(zone_named(answer.patient.time_zone))
    return Told(
        wish=answer.wish,
        wanted=[names[Kind(item.kind)] for item in items if item.wanted],
        not_now=[names[Kind(item.kind)] for item in items if not item.wanted],
        handover=said[f"told_{answer.handover}"],
        when=said["told_when"].format(day=said_day(local.date(), language, today=None)),
        needs_person=answer.needs_person and answer.handled_at is None,
        is_late=answer.is_late,
    )


def _page(
    asking: Asking, part: str, status: HTTPStatus = HTTPStatus.OK, **context: Asked | AskForm | Told
) -> HttpResponse:
    language = asking.language
    frame = {
        "words": words(language),
        "language": language,
        "phone": asking.question.patient.location.phone,
        "is_own_page": asking.is_own_page,
        "back": patient_page.words(language)["back"],
    }
    return render(asking.request, f"patient/question_{part}.html", frame | context, status=status)
