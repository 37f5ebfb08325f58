"""The way out of a mail: one click in the mail program (RFC 8058), or one button on a page.

A POST ends the messages at once: no sign-in, no cookie, no check against forged requests. A mail program
sends the POST by itself and has none of these, and the address is a secret that only the mail held: who can
guess it could as well answer the mail. A GET shows the button and ends nothing, because scanners open links
too. An unknown address reads like one that worked before: it says whom to call.
"""

from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed
from django.shortcuts import render
from django.utils import translation
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.debug import sensitive_variables

from resupply import clock
from resupply.rules.patient_page import LANGUAGES, words
from resupply.services import optouts
from resupply.web.patient.secret import gone, private
from resupply.web.quiet import quiet


@csrf_exempt
@sensitive_variables("token")
def stop(request: HttpRequest, token: str) -> HttpResponse:
    """GET shows one button; POST ends the messages on the channel of the mail that held the link."""
    request.COOKIES.clear()
    if request.method not in ("GET", "HEAD", "POST"):
        return quiet(private(HttpResponseNotAllowed(["GET", "HEAD", "POST"])))
    link = optouts.behind(token)
    if link is None:
        return private(gone(request, words))
    patient = link.message.patient
    language = patient.language if patient.language in LANGUAGES else "en"
    is_done = request.method == "POST"
    if is_done:
        optouts.stop_by_link(token, now=clock.now())
    shown: dict[str, object] = {
        "words": words(language),
        "language": language,
        "today": clock.today(patient.time_zone),
        "phone": patient.location.phone,
        "is_done": is_done,
    }
    with translation.override(language):
        return private(render(request, "patient/stop.html", shown))
