"""Runs of guesses: unknown tokens from one address are logged, and slowed; a good token never is.

A token has 256 bits, so nobody guesses one; a run of unknown ones is a program gone wrong or somebody trying,
and both should be seen. Every answer is worked out first and only then looked at: an address with a bad name
still gets a known token's answer at once, and never a 429. Past `Tally.most` refusals in ten minutes each
further one waits half a second; not more than two at a time in a process, so that waiting takes no threads
from anybody: the others are told 429 at once.

Counted in the cache: without it nothing is counted, and nothing else changes.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase

from resupply.web.quiet import quiet

log = logging.getLogger(__name__)

HOLD_S = 0.5
"""How long a refusal of a run waits."""
_HELD = threading.BoundedSemaphore(2)
_UNKNOWN = {"feed:calendar": 404, "ask:question": 404, "stop": 404, "me:": 404, "fhir:": 401, "join": 404}
_UNKNOWN |= {"new_password": 404}
_UNKNOWN |= {"text_inbound": 401, "text_delivery": 401}
"""Beginnings of names of views that a secret opens -> how an unknown one is answered. A secret that was known
and has ended says 410 and is no guess: programs keep asking for calendars that ended.
"""


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts by somebody's name, in the cache, for some seconds."""

    what: str
    most: int
    seconds: int

    def add(self, who: str) -> int:
        """Count one more, and return how many there were."""
        key = self._key(who)
        try:
            cache.add(key, 0, self.seconds)
            return int(cache.incr(key))
        except Exception as error:
            log.warning("guesses are not counted: %s", type(error).__name__)
            return 0

    def is_full(self, who: str) -> bool:
        """Whether there were as many as may be."""
        try:
            return int(cache.get(self._key(who), 0)) >= self.most
        except Exception as error:
            log.warning("guesses are not counted: %s", type(error).__name__)
            return False

    def _key(self, who: str) -> str:
        return f"guesses:{self.what}:{who}"


UNKNOWN_TOKENS = Tally("token", most=20, seconds=600)


class Guessing:
    """Slows and logs runs of unknown tokens."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer; an unknown token is counted, and waits where it is one of a run."""
        response = self.get_response(request)
        if not _is_unknown(request, response):
            return response
        view = request.resolver_match.view_name if request.resolver_match else ""
        return slowed(request, response, view)


def slowed(request: HttpRequest, response: HttpResponseBase, view: str) -> HttpResponseBase:
    """The refusal of an unknown token: counted, and one of a run logged and held back."""
    where = request.META.get("REMOTE_ADDR", "")
    count = UNKNOWN_TOKENS.add(where)
    if count <= UNKNOWN_TOKENS.most:
        return response
    if count == UNKNOWN_TOKENS.most + 1 or count % 1000 == 0:
        log.warning("token guessing: %d unknown tokens in ten minutes from %s, at %s", count, where, view)
    if _HELD.acquire(blocking=False):
        try:
            time.sleep(HOLD_S)
        finally:
            _HELD.release()
        return response
    return _too_many()


def _is_unknown(request: HttpRequest, response: HttpResponseBase) -> bool:
    """Whether a secret was given that opens nothing; what lies below a good link is no guess."""
    if hasattr(request, "link"):
        return False
    name = request.resolver_match.view_name if request.resolver_match else ""
    return any(name.startswith(view) and response.status_code == status for view, status in _UNKNOWN.items())


def _too_many() -> HttpResponse:
    response = HttpResponse(
        "Too many unknown addresses.\n", status=429, content_type="text/plain; charset=utf-8"
    )
    response["Retry-After"] = str(UNKNOWN_TOKENS.seconds)
    response["Cache-Control"] = "no-store"
    return quiet(response)
