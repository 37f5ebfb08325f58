"""Around every request: an id that stands in each of its log lines and in the answer, one line, one count.

An id is taken from the proxy in front only if it is well formed: it goes into logs and back to the browser.
"""

import logging
import re
import secrets
from collections.abc import Callable
from ipaddress import ip_address
from time import perf_counter

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase

from clinic.logs import request_id

HEADER = "X-Request-ID"
_WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}", re.ASCII)
_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
NO_VIEW = "none"
"""Stands for requests that reached no view: files, unknown addresses, refusals before it."""

log = logging.getLogger(__name__)


def id_of(request: HttpRequest) -> str:
    """The id a request came with if it is well formed, else a new one."""
    given = request.headers.get(HEADER, "")
    return given if _WELL_FORMED.fullmatch(given) else secrets.token_hex(8)


class Requests:
    """The outermost of all: nothing is answered without an id, and everything is timed."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response
        self._count: Callable[[str, str, int, float], None] | None = None
        if settings.METRICS_TOKEN:
            from clinic import metrics  # only where wanted: it opens files

            self._count = metrics.count_request

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer, and say so."""
        if settings.FORWARDED_FOR and (address := _forwarded_for(request)):
            request.META["REMOTE_ADDR"] = address
        token = request_id.set(id_of(request))
        began = perf_counter()
        try:
            response = _refused() if request.method == "TRACE" else self.get_response(request)
            response[HEADER] = request_id.get()
            self._note(request, response.status_code, perf_counter() - began)
        finally:
            request_id.reset(token)
        return response

    def _note(self, request: HttpRequest, status: int, seconds: float) -> None:
        """The view's name, never the path: that may be a secret."""
        match = request.resolver_match
        view = match.view_name if match else NO_VIEW
        method = request.method if request.method in _METHODS else "other"
        if self._count is not None:
            self._count(view, str(method), status, seconds)
        if match or status >= 400:
            what = {"view": view, "method": method, "status": status, "ms": round(seconds * 1000, 1)}
            user = vars(request).get("_cached_user")  # who it was, if anything had to know; nobody is asked
            if user is not None and user.pk is not None:
                what["user"] = user.pk
            log.info("%s %s %s", method, view, status, extra=what)


def _forwarded_for(request: HttpRequest) -> str:
    """The address that the proxy saw: the last of the header, as it appended it; "" where that is none."""
    last = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    try:
        return str(ip_address(last))
    except ValueError:
        return ""


def _refused() -> HttpResponseBase:
    """TRACE would send back what a browser keeps from scripts."""
    return HttpResponse(status=405, headers={"Allow": ", ".join(sorted(_METHODS))})
