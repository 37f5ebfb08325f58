"""The read log's door: every answer that shows records of patients is kept before it leaves.

Which patients: every one whose record was loaded for the answer (`models.reads.noticing`). That may be one
more than the page names, never one fewer. A page that cannot be logged is not shown. What is sent as it is
read is logged when it ends, also where the reader breaks off.

Not logged: answers that show nothing (redirects, refusals), and calendars, which programs fetch every few
hours; a subscription keeps when it was last fetched.
"""

from collections.abc import Callable, Iterator
from urllib.parse import urlsplit

from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.urls import Resolver404, resolve

from resupply import clock
from resupply.models import ReadKind, noticing
from resupply.queries.emergency import Opened
from resupply.services.reads import log_read

NOT_LOGGED = frozenset({"feed:calendar", "stop", "text_inbound", "text_delivery"})
"""Views that show no record: a calendar (see above), and doors that only take something in."""

_SHOWS = frozenset({200, 206, 409, 422})


class ReadLog:
    """Keeps whose records an answer shows."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer, and keep what was loaded for it."""
        seen: set[int] = set()
        with noticing(seen):
            response = self.get_response(request)
        match = request.resolver_match
        if match is None or match.view_name in NOT_LOGGED or response.status_code not in _SHOWS:
            return response
        if isinstance(response, StreamingHttpResponse) and not response.is_async:
            response.streaming_content = _logged_at_its_end(
                request,
                response,
                seen,
                iter(response.streaming_content),  # type: ignore[arg-type] # not async
            )
        elif seen:
            _log(request, response, seen)
        return response


def _logged_at_its_end(
    request: HttpRequest, response: HttpResponseBase, seen: set[int], content: Iterator[bytes]
) -> Iterator[bytes]:
    """The content, watched while it is read; each step in itself, as others may be served in between."""
    try:
        while True:
            with noticing(seen):
                chunk = next(content, None)
            if chunk is None:
                break
            yield chunk
    finally:
        if seen:
            _log(request, response, seen)


def _log(request: HttpRequest, response: HttpResponseBase, seen: set[int]) -> None:
    """Keep it; a patient whom an emergency access opened in a row of its own, with the access's number."""
    view = request.resolver_match.view_name if request.resolver_match else ""
    staff = getattr(request, "staff", None)
    under: Opened | None = getattr(request, "emergency", None)
    opened = {under.patient_id} if under else set()
    for patients, emergency in ((seen - opened, None), (seen & opened, under.pk if under else None)):
        if not patients:
            continue
        log_read(
            staff.user if staff is not None else None,
            patients,
            view,
            now=clock.now(),
            kind=_kind(response, view),
            came_from=_came_from(request),
            emergency=emergency,
            integration=getattr(request, "integration", None),
            link=getattr(request, "link", None) if view.startswith("me:") else None,
        )


def _kind(response: HttpResponseBase, view: str) -> ReadKind:
    if view.startswith("fhir:"):
        return ReadKind.PROGRAM
    if view.startswith(("me:", "ask:")):
        return ReadKind.OWN
    is_page = isinstance(response, HttpResponse) and response.get("Content-Type", "").startswith("text/html")
    return ReadKind.PAGE if is_page else ReadKind.FILE


def _came_from(request: HttpRequest) -> str:
    """The name of the view that led here, where it is one of ours; never its address."""
    referer = urlsplit(request.headers.get("Referer", ""))
    if not referer.path or referer.netloc != request.get_host():
        return ""
    try:
        return resolve(referer.path).view_name
    except Resolver404:
        return ""
