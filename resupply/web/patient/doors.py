"""The gate of a patient's own page: a live link, and a device on which the date of birth was given.

The path holds a secret. Pages are kept by nobody (`no-store`), found by nobody (`noindex`), and tell no other
site where one came from. An unknown link, an expired one and a revoked one read the same. Answers that Django
would log by their path are marked as logged already; the site's log formatter scrubs such paths besides.
"""

from collections.abc import Callable
from functools import partial, wraps
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.utils import timezone, translation
from django.views.decorators.debug import sensitive_variables

from resupply import clock
from resupply.models import Patient, PatientLink
from resupply.queries import doors as door_queries
from resupply.rules.patient_page import LANGUAGES, words
from resupply.rules.zones import zone_named
from resupply.services import plans
from resupply.web.own_address import NOBODY, own_address
from resupply.web.patient import secret
from resupply.web.quiet import quiet

COOKIE, LANGUAGE_COOKIE = "own-page", "own-page-language"
AT = "/me/"


class PatientRequest(HttpRequest):
    """A request that came through `door`: whose page it is, by which link, in which language.

    `is_open`: this device gave the date of birth. `is_looking`: it is staff who look; there is no token, and
    nothing is written.
    """

    patient: Patient
    link: PatientLink
    token: str
    language: str
    is_open: bool
    is_looking: bool


View = Callable[..., HttpResponse]
Guarded = Callable[..., HttpResponseBase]


def door(view: View) -> Guarded:
    """Let a view be seen by whoever opened this link on this device; others are led to its first page."""
    return _guarded(view, must_be_open=True)


def link_only(view: View) -> Guarded:
    """Let a view be seen by whoever has a live link: the page that asks for the date of birth."""
    return _guarded(view, must_be_open=False)


def _guarded(view: View, *, must_be_open: bool) -> Guarded:
    @wraps(view)
    @sensitive_variables("token")
    def guarded(request: HttpRequest, /, *, token: str, **kwargs: Any) -> HttpResponseBase:
        found = door_queries.find(token, keys=_keys(request), now=clock.now())
        if found is None or not found.is_live:
            status = HTTPStatus.NOT_FOUND if found is None else HTTPStatus.GONE
            return private(secret.gone(request, words, status))
        if must_be_open and not found.is_open:
            return private(redirect("me:page", token=token))
        known: PatientRequest = request  # type: ignore[assignment]
        known.link, known.patient, known.token = found.link, found.link.patient, token
        known.language = _language(request, known.patient)
        known.is_open, known.is_looking = found.is_open, False
        if found.is_open:
            plans.refresh_if_run_out(known.patient, now=clock.now())
        with timezone.override(zone_named(known.patient.time_zone)), translation.override(known.language):
            return private(quiet(view(known, **kwargs)))

    guarded.has_own_gate = True  # type: ignore[attr-defined]
    guarded.for_staff = partial(_for_staff, view)  # type: ignore[attr-defined]
    return guarded


def _for_staff(
    view: View, request: HttpRequest, *, patient: Patient, language: str, is_reviewed: bool, **kwargs: Any
) -> HttpResponse:
    """The page as it is shown to a member of staff, who has been let in already."""
    known: PatientRequest = request  # type: ignore[assignment]
    known.patient, known.token, known.language = patient, NOBODY, language
    newest = door_queries.of_patient(patient).first()
    known.link = newest or PatientLink(patient=patient, created_at=clock.now())
    known.is_open = known.is_looking = True
    known.is_reviewed = is_reviewed  # type: ignore[attr-defined]
    with timezone.override(zone_named(patient.time_zone)), translation.override(language):
        return private(view(known, **kwargs))


def frame(request: PatientRequest) -> dict[str, object]:
    """What every own page needs besides its own."""
    return {
        "words": words(request.language),
        "language": request.language,
        "token": request.token,
        "place": request.patient.location,
    }


def to(request: PatientRequest, name: str, *args: object) -> HttpResponse:
    """To another own page."""
    return redirect(own_address(request, name, *args))


def private(response: HttpResponse) -> HttpResponse:
    """With the headers of a secret address.

    Not `no-referrer`: with it browsers send `Origin: null` with a form, which the check against forged
    requests refuses. This sends no path to anybody either, this site included.
    """
    return secret.private(response, referrer="strict-origin")


def remember_door(response: HttpResponse, link: PatientLink, key: str) -> None:
    """Keep the key of a door on the device, beside those of other links opened there."""
    _set_cookie(response, f"{COOKIE}-{link.public_id.hex[:12]}", key, link)


def remember_language(response: HttpResponse, link: PatientLink, language: str) -> None:
    """Keep the language chosen on the device."""
    _set_cookie(response, LANGUAGE_COOKIE, language, link)


def _set_cookie(response: HttpResponse, name: str, value: str, link: PatientLink) -> None:
    response.set_cookie(
        _secure(name),
        value,
        expires=link.expires_at,
        path=AT,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


def _secure(name: str) -> str:
    """The name of a cookie; outside the demo one that browsers take over TLS alone.

    Not `__Host-`: such a cookie would go with every page, and these are for a patient's own pages.
    """
    return f"__Secure-{name}" if settings.SESSION_COOKIE_SECURE else name


def _keys(request: HttpRequest) -> list[str]:
    """The keys that the device holds, a few at most: whose they are is for the link to say."""
    start = _secure(f"{COOKIE}-")
    return [value for name, value in request.COOKIES.items() if name.startswith(start)][:20]


def _language(request: HttpRequest, patient: Patient) -> str:
    chosen = request.COOKIES.get(_secure(LANGUAGE_COOKIE), "")
    return chosen if chosen in LANGUAGES else patient.language
