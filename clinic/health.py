"""Addresses for machines, answered before anything else can redirect or refuse. No host name, no session.

- `/livez`: the web process answers. Without the database: restarting the web mends no database.
- `/readyz/web`: it can serve pages: the database answers and has every migration. For the proxy in front.
- `/readyz`: the clinic works: besides, a heartbeat travelled scheduler, queue, worker and database lately,
  and no due message waits too long. For whoever is woken at night.
- `/metrics`: figures for a program with the token; there is no such address where METRICS_TOKEN is not set.

They say yes, or no and in a word what it is about (database, migrations, heartbeat, outbox), and nothing
else; what is wrong stands on the administrators' status page. Wrong tokens count and wait like other guesses.
"""

import hmac
from collections.abc import Callable
from time import monotonic

from django.conf import settings
from django.db import Error
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from psycopg_pool import PoolTimeout

from resupply import clock
from resupply.queries import health
from resupply.rules.health import READY, SERVES, Grade, findings
from resupply.web.access.guessing import slowed

_TEXT = "text/plain; charset=utf-8"
_KEPT = 2.0
"""Seconds that an answer is kept: asking often, or by many, costs the database nothing."""


class Health:
    """Answers the addresses above; every other path passes through."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response
        self._known: dict[str, tuple[float, str]] = {}
        self._answers: dict[str, Callable[[HttpRequest], HttpResponseBase]] = {
            "/livez": lambda request: _said(""),
            "/readyz/web": lambda request: _said(self._against("web", SERVES)),
            "/readyz": lambda request: _said(self._against("all", READY)),
        }
        if settings.METRICS_TOKEN:
            self._answers["/metrics"] = _metrics

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer, or hand on."""
        answer = self._answers.get(request.path)
        if answer is None:
            return self.get_response(request)
        if request.method not in {"GET", "HEAD"}:
            return HttpResponse(status=405, headers={"Allow": "GET, HEAD"})
        return answer(request)

    def _against(self, name: str, codes: frozenset[str]) -> str:
        """What of these stands against it, as found now or up to two seconds ago; "": nothing."""
        found = self._known.get(name)
        if found is None or monotonic() - found[0] > _KEPT:
            found = monotonic(), _wrong(codes)
            self._known[name] = found
        return found[1]


def _wrong(codes: frozenset[str]) -> str:
    try:
        facts = health.ready(now=clock.now())
    except (Error, PoolTimeout):
        return "database"
    broken = (one.code for one in findings(facts) if one.grade == Grade.BROKEN)
    return ", ".join(code for code in broken if code in codes)


def _said(against: str) -> HttpResponse:
    answer = HttpResponse(f"not ready: {against}\n" if against else "ok\n", content_type=_TEXT)
    answer.status_code = 503 if against else 200
    answer["Cache-Control"] = "no-store"
    return answer


def _metrics(request: HttpRequest) -> HttpResponseBase:
    """The figures, for who sends `Authorization: Bearer` and the token."""
    given = request.headers.get("Authorization", "").encode()
    if not hmac.compare_digest(given, b"Bearer " + settings.METRICS_TOKEN.encode()):
        refusal = HttpResponse(
            status=401, headers={"WWW-Authenticate": "Bearer", "Cache-Control": "no-store"}
        )
        return slowed(request, refusal, "metrics")
    from clinic import metrics

    return HttpResponse(
        metrics.page(),
        content_type="text/plain; version=0.0.4; charset=utf-8",
        headers={"Cache-Control": "no-store"},
    )
