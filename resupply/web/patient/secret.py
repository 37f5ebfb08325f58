"""Pages whose address is a secret: kept by nobody, found by nobody, telling no other site where one was."""

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import TypeVar

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render

from resupply.rules.patient_page import LANGUAGES
from resupply.web.quiet import quiet

R = TypeVar("R", bound=HttpResponseBase)


def private(response: R, *, referrer: str = "no-referrer") -> R:
    """With the headers of a secret address."""
    response["Cache-Control"] = "no-store"
    response["X-Robots-Tag"] = "noindex, nofollow"
    response["Referrer-Policy"] = referrer
    return response


def gone(
    request: HttpRequest, words: Callable[[str], Mapping[str, str]], status: int = HTTPStatus.NOT_FOUND
) -> HttpResponse:
    """The page of a link that opens nothing: the same words, whatever the reason, in both languages."""
    context = {"words": words("en"), "language": "en", "both": [(one, words(one)) for one in LANGUAGES]}
    return quiet(render(request, "patient/gone.html", context, status=status))
