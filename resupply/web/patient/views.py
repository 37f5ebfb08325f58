"""A private calendar feed, for calendar programs: GET and HEAD, no sign-in, no cookie, no redirect.

The path is the password. It is never logged here, and answers that Django would log by their path are marked
as logged already (the site's log formatter scrubs such paths besides).
"""

import logging
from http import HTTPStatus

from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.utils.cache import get_conditional_response
from django.utils.http import quote_etag
from django.views.decorators.csrf import csrf_exempt

from resupply import clock
from resupply.queries import feeds as feed_queries
from resupply.services import feeds
from resupply.web.quiet import quiet

log = logging.getLogger(__name__)

_HEADERS = {
    "Cache-Control": "private, no-cache",
    "X-Robots-Tag": "noindex",
    "Referrer-Policy": "no-referrer",
}
_SAYS = {
    HTTPStatus.NOT_FOUND: "There is no calendar at this address.",
    HTTPStatus.GONE: "This calendar address has ended. Ask your care team for a new one.",
    HTTPStatus.METHOD_NOT_ALLOWED: "A calendar can only be read.",
    HTTPStatus.SERVICE_UNAVAILABLE: "The calendar cannot be read just now. It will be back.",
}


@csrf_exempt  # nothing is accepted here; the refusal of a POST would log its path
def calendar(request: HttpRequest, token: str) -> HttpResponse:
    """200 with the feed, 304 where the caller has it, 404 unknown, 410 revoked, 503 without a database."""
    request.COOKIES.clear()  # a broken one would be answered by a cookie that takes it back
    if request.method not in ("GET", "HEAD"):
        return _refusal(HTTPStatus.METHOD_NOT_ALLOWED, Allow="GET, HEAD")
    now = clock.now()
    try:
        found = feed_queries.stored(token, now=now)
        if found is None:
            return _refusal(HTTPStatus.NOT_FOUND)
        written = None
        if found.is_fresh and not found.is_revoked:
            written = feeds.Written(found.body, found.etag)
        elif not found.is_revoked:
            written = feeds.render(found.subscription_id, now=now)
        if written is None:
            return _refusal(HTTPStatus.GONE)
        feeds.note_fetch(found.subscription_id, found.last_fetched_at, now=now)
    except (OperationalError, InterfaceError) as error:
        log.warning("a calendar was asked for and the database did not answer: %s", type(error).__name__)
        return _refusal(HTTPStatus.SERVICE_UNAVAILABLE, **{"Retry-After": "300"})
    return _answer(request, written)


def _answer(request: HttpRequest, written: feeds.Written) -> HttpResponse:
    """The feed with its headers; HEAD gets them alone, with the length that GET would have."""
    etag = quote_etag(written.etag)
    body = written.body if request.method == "GET" else b""
    response = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    response["Content-Length"] = str(len(written.body))
    response["ETag"] = etag
    answer = get_conditional_response(request, etag=etag, response=response) or response
    return _with_headers(answer)


def _refusal(status: HTTPStatus, **headers: str) -> HttpResponse:
    response = HttpResponse(f"{_SAYS[status]}\n", status=status, content_type="text/plain; charset=utf-8")
    for name, value in headers.items():
        response[name] = value
    return _with_headers(quiet(response))


def _with_headers(response: HttpResponse) -> HttpResponse:
    for name, value in _HEADERS.items():
        response[name] = value
    return response
