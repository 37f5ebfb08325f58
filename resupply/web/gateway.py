"""What a text gateway tells us: texts that came in, and what became of ours (docs/text-gateway.md).

Each request is signed (`rules.signatures`). The check against forged requests of browsers is left out here:
it compares a cookie with a form, there is neither, and who cannot sign can forge nothing. A request is read
up to `LONGEST`, its shape is checked, and what it holds reaches no log. What we do not know is answered like
what we know: a gateway that is told "error" would ask again for ever.
"""

import json
import logging
import re
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from resupply import clock
from resupply.rules.signatures import Signed, check
from resupply.services import inbound

log = logging.getLogger(__name__)

LONGEST = 16 * 1024
STAMP, SIGNATURE = "X-Text-Timestamp", "X-Text-Signature"
_EVENT = re.compile(r"[!-~]{1,128}")
_NUMBER = re.compile(r"\+?[0-9]{3,15}")
_CODE = re.compile(r"[a-z][a-z_]{0,39}")
_STATE = re.compile(r"delivered|failed")


@csrf_exempt
@require_POST
def inbound_text(request: HttpRequest) -> HttpResponse:
    """A text that somebody sent us: `{"event", "from", "text"}`."""
    said = _signed(request)
    if isinstance(said, HttpResponse):
        return said
    event, number, body = said.get("event"), said.get("from"), said.get("text")
    if not (_fits(_EVENT, event) and _fits(_NUMBER, number) and isinstance(body, str)):
        return _answer("shape", HTTPStatus.BAD_REQUEST)
    came = inbound.receive(event_id=str(event), number=str(number), body=body, now=clock.now())
    return _answer("kept" if came.is_new else "seen")


@csrf_exempt
@require_POST
def delivery(request: HttpRequest) -> HttpResponse:
    """What became of a text of ours: `{"event", "reference", "state", "code"}`."""
    said = _signed(request)
    if isinstance(said, HttpResponse):
        return said
    event, reference, state = said.get("event"), said.get("reference"), said.get("state")
    if not (_fits(_EVENT, event) and _fits(_EVENT, reference) and _fits(_STATE, state)):
        return _answer("shape", HTTPStatus.BAD_REQUEST)
    code = said.get("code")
    is_new = inbound.record_report(
        event_id=str(event),
        reference=str(reference),
        state=str(state),
        code=str(code) if _fits(_CODE, code) else "",
        now=clock.now(),
    )
    if is_new is None:
        log.warning("text gateway: a report about a text that is not ours")
    return _answer("kept" if is_new or is_new is None else "seen")


def _signed(request: HttpRequest) -> dict[str, Any] | HttpResponse:
    """The JSON object of a signed request, or the answer to one that is not."""
    if not settings.TEXT_CALLBACK_SECRET:
        return _answer("off", HTTPStatus.NOT_FOUND)
    if int(request.META.get("CONTENT_LENGTH") or 0) > LONGEST:
        return _answer("long", HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
    body = request.body
    verdict = check(
        settings.TEXT_CALLBACK_SECRET,
        stamp=request.headers.get(STAMP, ""),
        signature=request.headers.get(SIGNATURE, ""),
        body=body,
        now=clock.now(),
    )
    if verdict is not Signed.RIGHT:
        log.warning("text gateway: a signature that is %s", verdict.value)
        return _answer(verdict.value, HTTPStatus.UNAUTHORIZED)
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        said = None
    return said if isinstance(said, dict) else _answer("shape", HTTPStatus.BAD_REQUEST)


def _fits(pattern: re.Pattern[str], value: object) -> bool:
    return isinstance(value, str) and pattern.fullmatch(value) is not None


def _answer(status: str, code: HTTPStatus = HTTPStatus.OK) -> JsonResponse:
    response = JsonResponse({"status": status}, status=code)
    response["Cache-Control"] = "no-store"
    return response
