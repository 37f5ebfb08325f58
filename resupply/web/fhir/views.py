"""The FHIR doors: metadata, read, and search by GET or by POST to `_search`.

Every answer, also a refusal, is JSON of the standard. Every request of a known program is kept, with the
patients it was given records of, before the answer leaves. A record outside the program's scope is not
found, as if there were none.
"""

from collections.abc import Sequence
from datetime import date
from typing import cast

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse, QueryDict
from django.utils.cache import get_conditional_response
from django.views.decorators.csrf import csrf_exempt

from resupply import clock
from resupply.delivery.fhir import resources as to
from resupply.delivery.fhir.capability import SEARCHES, capability_statement
from resupply.delivery.fhir.resources import Json
from resupply.delivery.fhir.wrapping import bundle, outcome
from resupply.models import (
    Device,
    DispenseLine,
    Integration,
    OrderItem,
    Patient,
    RefillQuestion,
    SharedResource,
    notice,
)
from resupply.queries import sharing as queries
from resupply.queries.sharing import Sought
from resupply.services import sharing
from resupply.web.fhir.asked import UnclearError, page_token, read_search
from resupply.web.quiet import quiet

STATED_ON = date(2026, 11, 25)
"""When the capability statement was last changed."""
_TYPE = "application/fhir+json; charset=utf-8"
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


@csrf_exempt  # programs send no cookie: there is no session to be misused
def metadata(request: HttpRequest) -> HttpResponse:
    """What is offered; needs no token, tells nothing of anyone."""
    if refused := _closed(request, ("GET", "HEAD")):
        return refused
    return _answer(capability_statement(clinic=settings.CLINIC_NAME, base=_base(), date_of=STATED_ON))


@csrf_exempt  # see `metadata`
def read(request: HttpRequest, resource: str, record: str) -> HttpResponse:
    """One record: 200, 304 where the caller has it, 404 where it is not there or out of scope."""
    if refused := _closed(request, ("GET", "HEAD")):
        return refused
    known = _program(request)
    if isinstance(known, HttpResponse):
        return known
    if refused := _unscoped(known, resource):
        return _kept(known, resource, refused, is_search=False)
    today = clock.today("UTC")
    sought = queries.search(known, SharedResource(resource), Sought(id=record), today=today)
    found = [row for row in sought[:1] if _shown(row, today)["id"] == record]
    if not found:
        missing = _refusal(404, "not-found", "There is no such record, or none this program may read.")
        return _kept(known, resource, missing, is_search=False)
    content = _shown(found[0], today)
    etag = f'W/"{cast(Json, content["meta"])["versionId"]}"'
    answer = get_conditional_response(request, etag=etag, response=_answer(content, etag=etag))
    return _kept(known, resource, cast(HttpResponse, answer), is_search=False, rows=found)


@csrf_exempt  # see `metadata`
def search(request: HttpRequest, resource: str) -> HttpResponse:
    """A page of what matches. What tells who somebody is comes in the body of a POST, never in an address."""
    is_post = request.path.endswith("/_search")
    if refused := _closed(request, ("POST",) if is_post else ("GET", "HEAD")):
        return refused
    known = _program(request)
    if isinstance(known, HttpResponse):
        return known
    if refused := _unscoped(known, resource) or _unread(request):
        return _kept(known, resource, refused, is_search=True)
    try:
        asked = read_search(resource, request.GET, request.POST if is_post else None)
    except UnclearError as error:
        return _kept(known, resource, _refusal(400, "invalid", str(error)), is_search=True)
    today = clock.today("UTC")
    found = queries.search(known, SharedResource(resource), asked.sought, today=today)
    rows = list(found.filter(pk__gt=asked.after)[: asked.count + 1])
    page, has_more = rows[: asked.count], len(rows) > asked.count
    content = bundle(
        [_shown(row, today) for row in page],
        base=_base(),
        own_url=_own_url(request, resource),
        next_url=_next_url(request, resource, page[-1].pk) if has_more else "",
    )
    return _kept(known, resource, _answer(content), is_search=True, rows=page)


@csrf_exempt  # see `metadata`
def nothing(request: HttpRequest, rest: str = "") -> HttpResponse:
    """Any other address below this door."""
    if refused := _closed(request, ("GET", "HEAD", "POST")):
        return refused
    return _refusal(404, "not-found", "There is nothing here; /metadata says what is offered.")


# --- who asks -----------------------------------------------------------------------------------------------


def _closed(request: HttpRequest, methods: Sequence[str]) -> HttpResponse | None:
    """A refusal where the door is off, the method changes something, or XML is wanted."""
    if not settings.FHIR:
        return _refusal(404, "not-found", "Sharing is switched off.")
    if request.method not in methods:
        refused = _refusal(405, "not-supported", "Records are only read here.")
        refused["Allow"] = ", ".join(methods)
        return refused
    accepted = ("application/fhir+json", "application/json")
    if not any(request.accepts(kind) for kind in accepted):
        return _refusal(406, "not-supported", "Only JSON is given: accept application/fhir+json.")
    return None


def _program(request: HttpRequest) -> Integration | HttpResponse:
    """The program whose token the request carries (RFC 6750), or a refusal that tells no more than that."""
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    known = queries.integration_of(token) if scheme.lower() == "bearer" and token else None
    if known is not None and queries.is_good(known, now=clock.now()):
        request.integration = known  # type: ignore[attr-defined] # for the read log
        return known
    refused = _refusal(401, "login", "A good bearer token is needed.")
    refused["WWW-Authenticate"] = 'Bearer realm="records"'
    return refused if known is None else _kept(known, "", refused, is_search=False)


def _unscoped(known: Integration, resource: str) -> HttpResponse | None:
    """A refusal where the resource is not offered at all, or not to this program."""
    if resource not in SEARCHES:
        return _refusal(404, "not-supported", "This kind of resource is not offered; see /metadata.")
    if resource not in known.resources:
        return _refusal(403, "forbidden", "This program may not read this kind of resource.")
    return None


def _unread(request: HttpRequest) -> HttpResponse | None:
    """A refusal of a body that is no form (R4 3.1.1.1): read past, it would find everybody."""
    if request.method != "POST" or request.content_type in _FORMS or not request.body:
        return None
    return _refusal(415, "not-supported", f"Send the parameters of a search as a form: {_FORMS[0]}.")


# --- what is answered ---------------------------------------------------------------------------------------


def _shown(row: object, today: date) -> Json:
    match row:
        case Patient():
            return to.patient_resource(row, reference_system=f"{settings.PUBLIC_URL}/ns/reference")
        case Device():
            return to.device_resource(row)
        case OrderItem():
            return to.order_resource(row, today=today)
        case DispenseLine():
            return to.delivery_resource(row)
        case RefillQuestion():
            return to.task_resource(row)
        case _:
            raise TypeError(f"{type(row).__name__} is not shared")


def _kept(
    known: Integration,
    resource: str,
    answer: HttpResponse,
    *,
    is_search: bool,
    rows: Sequence[object] = (),
) -> HttpResponse:
    """The answer, once the request is on record."""
    patient_ids = [_patient_of(row) for row in rows]
    notice(*patient_ids)
    sharing.record_read(
        known,
        resource[:20].replace("\0", ""),
        is_search=is_search,
        status=answer.status_code,
        patient_ids=patient_ids,
        now=clock.now(),
    )
    return answer


def _patient_of(row: object) -> int:
    match row:
        case Patient():
            return row.pk
        case OrderItem():
            return row.order.patient_id
        case DispenseLine():
            return row.dispense.patient_id
        case Device() | RefillQuestion():
            return row.patient_id
        case _:
            raise TypeError(f"{type(row).__name__} is not shared")


def _answer(content: Json, *, status: int = 200, etag: str = "") -> HttpResponse:
    response = JsonResponse(content, status=status, content_type=_TYPE)
    response["Cache-Control"] = "private, no-cache" if etag else "no-store"
    if etag:
        response["ETag"] = etag
    return response


def _refusal(status: int, code: str, text: str) -> HttpResponse:
    return quiet(_answer(outcome(code, text), status=status))


def _base() -> str:
    return f"{settings.PUBLIC_URL}/fhir"


def _own_url(request: HttpRequest, resource: str) -> str:
    """The address of the search without what came in the body."""
    query = request.GET.urlencode()
    return f"{_base()}/{resource}" + (f"?{query}" if query else "")


def _next_url(request: HttpRequest, resource: str, key: int) -> str:
    """The same search from the next record on. One by POST goes on by POST, with the same body."""
    query: QueryDict = request.GET.copy()
    query["_page"] = page_token(key)
    tail = "/_search" if request.method == "POST" else ""
    return f"{_base()}/{resource}{tail}?{query.urlencode()}"
