"""Which roles may do what, the guard before each view, and the gate that refuses what nobody guards.

Signed out leads to the sign-in page; a wrong role, or no role, to a page that says so (403).
"""

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, Concatenate, ParamSpec, cast
from zoneinfo import ZoneInfo

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone
from django_htmx.http import HttpResponseClientRedirect

from resupply import clock
from resupply.models import Role, Staff
from resupply.queries.emergency import Opened
from resupply.queries.staff import at_work
from resupply.rules.zones import zone_named

P = ParamSpec("P")
EVERYONE = frozenset(Role)
_CARE = frozenset({Role.DESK, Role.THERAPIST, Role.MANAGER, Role.ADMINISTRATOR})
_THERAPY = frozenset({Role.THERAPIST, Role.ADMINISTRATOR})
_LEAD = frozenset({Role.MANAGER, Role.ADMINISTRATOR})

WHO_MAY: dict[str, frozenset[Role]] = {
    "home": EVERYONE,
    "help.see": EVERYONE,
    "emergency.open": _CARE,
    "emergency.review": _LEAD,
    "patient.find": _CARE,
    "patient.see": _CARE,
    "patient.edit": _CARE,
    "patient.messages": _CARE,
    "patient.calendar": _CARE,
    "dispense.record": _CARE,
    "dispense.void": _CARE,
    "dispense.see": _CARE,
    "dispense.exchange": _CARE,
    "dispense.export": _LEAD,
    "proof.record": _CARE,
    "proof.void": _CARE,
    "event.record": _CARE,
    "event.void": _CARE,
    "answer.record": _CARE,
    "answer.void": _CARE,
    "question.change": _CARE,
    "contact.record": _CARE,
    "contact.void": _CARE,
    "patient.link": _CARE,
    "report.handle": _CARE,
    "inbound.see": _CARE,
    "inbound.handle": _CARE,
    "worklist.export": _LEAD,
    "fitting.see": _CARE,
    "fitting.record": _THERAPY,
    "match.record": _THERAPY,
    "life.see": _CARE,
    "life.set": _THERAPY,
    "follow_up.record": _THERAPY,
    "nights.record": _THERAPY,
    "care_sheet.see": _CARE,
    "care_text.review": _THERAPY | _LEAD,
    "care_plan.version": _THERAPY | _LEAD,
    "matching.version": _THERAPY | _LEAD,
    "demo.mail": _CARE,
    "stock.see": _CARE,
    "stock.change": _CARE,
    "stock.target": _LEAD,
    "magnets.screen": _CARE,
    "magnets.details": _THERAPY,
    "magnets.clear": _THERAPY,
    "equipment.record": _CARE,
    "equipment.void": _CARE,
    "catalogue.see": _CARE,
    "catalogue.change": _CARE - {Role.DESK},
    "recall.see": _CARE,
    "recall.change": _LEAD,
    "recall.reach": _CARE,
    "recall.export": _LEAD,
    "packet.see": _THERAPY | _LEAD,
    "packet.make": _LEAD,
    "policy.change": _LEAD,
    "import.run": _LEAD,
    "job.see": _CARE,
    "open_days.change": _LEAD,
    "message_terms.see": _LEAD,
    "outlook.see": _LEAD,
    "manager.rooms": _LEAD,
    "first_steps.see": _LEAD,
    "first_steps.change": _LEAD,
    "location.see": _LEAD,
    "location.change": frozenset({Role.ADMINISTRATOR}),
    "mail.check": frozenset({Role.ADMINISTRATOR}),
    "sharing.see": _LEAD,
    "sharing.change": frozenset({Role.ADMINISTRATOR}),
    "status.see": frozenset({Role.ADMINISTRATOR}),
    "people.change": frozenset({Role.ADMINISTRATOR}),
    "history.see": _LEAD,
    "overdue.see": _LEAD,
    "overdue.mine": _CARE,
    "measures.see": _LEAD,
    "overdue.act": _LEAD,
    "overdue.export": _LEAD,
}
"""Which roles have a permission."""

_OWN_PAGE = {
    *("me:page", "me:tick", "me:month", "me:language", "me:calendar", "me:days", "me:pause", "me:again"),
    *("me:calendar_change", "me:question", "me:choices", "me:help", "me:help_topic"),
    *("me:changed", "me:changed_done", "me:implant", "me:implant_done", "me:report", "me:told", "me:undo"),
}
OPEN_VIEWS = frozenset(
    {
        *("login", "logout", "password_change", "password_change_done", "gallery"),
        *("second_step", "passkey_ask", "prove", "kept_form", "stay", "your_sign_in", "second_app"),
        *("passkey_add", "passkey_begin", "factor_remove", "recovery_codes", "sign_in_end", "sign_ins_end"),
        *("join", "lost_password", "new_password", "own_address"),
        *("feed:calendar", "ask:question", "stop", "help:sign_in", *_OWN_PAGE),
        *("text_inbound", "text_delivery"),  # of a gateway, which signs what it tells (`web/gateway.py`)
        *("fhir:metadata", "fhir:search", "fhir:search_by_post", "fhir:read", "fhir:root", "fhir:nothing"),
    }
)
"""Names of views without a permission: sign-in, and pages whose address is the secret, and
doors of programs that carry a token or sign what they tell.
"""


UNDER_EMERGENCY = frozenset(
    {
        *("patient.see", "patient.edit", "patient.messages", "question.change", "report.handle"),
        *("dispense.record", "dispense.see", "dispense.void", "dispense.exchange"),
        *("proof.record", "proof.void", "event.record", "event.void", "answer.record", "answer.void"),
        *("contact.record", "contact.void", "equipment.record", "equipment.void", "care_sheet.see"),
        *("fitting.see", "fitting.record", "match.record", "follow_up.record", "nights.record"),
        *("magnets.screen", "magnets.details", "magnets.clear", "life.see", "life.set"),
    }
)
"""Permissions for which an emergency access opens a patient: the care of this one patient. No page of
managers or administrators, no export, and nothing that outlasts the hour (addresses of calendars and own
pages).
"""


class StaffRequest(HttpRequest):
    """A request that came through `may`: `staff` is who asks, `location_ids` where (empty: everywhere).

    `opened`: the emergency accesses that this person has open; `emergencies`: of them, by patient, those that
    count for the view (`UNDER_EMERGENCY`); `emergency`: that under which the patient of this page was found.
    """

    staff: Staff
    location_ids: frozenset[int]
    zone: str
    opened: tuple[Opened, ...]
    emergencies: Mapping[int, Opened]
    emergency: Opened | None


View = Callable[Concatenate[StaffRequest, P], HttpResponseBase]
Guarded = Callable[Concatenate[HttpRequest, P], HttpResponseBase]


def may(permission: str) -> Callable[[View[P]], Guarded[P]]:
    """Let a view be seen by the roles that have a permission; an unknown permission fails at import."""
    roles = WHO_MAY[permission]

    def guard(view: View[P]) -> Guarded[P]:
        @wraps(view)
        def guarded(request: HttpRequest, /, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
            if not request.user.is_authenticated:
                return _to_sign_in(request)
            staff = _staff_of(request)
            if staff is None or staff.role not in roles:
                raise PermissionDenied
            known = cast(StaffRequest, request)
            counts = permission in UNDER_EMERGENCY and bool(known.location_ids)
            known.emergencies = {one.patient_id: one for one in known.opened} if counts else {}
            with timezone.override(zone_named(known.zone)):
                return view(known, *args, **kwargs)

        guarded.permission = permission  # type: ignore[attr-defined]
        return guarded

    return guard


class Gate:
    """Refuses every view that neither names a permission nor is open by name."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Hand the request on; the decision falls in `process_view`."""
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., object], args: object, kwargs: object
    ) -> None:
        """Refuse what nobody has said who may see."""
        match = request.resolver_match
        is_open = match is not None and match.view_name in OPEN_VIEWS
        if not is_open and getattr(view, "permission", None) not in WHO_MAY:
            raise PermissionDenied


def can(request: HttpRequest, permission: str) -> bool:
    """Whether the person asking has a permission: for links and buttons; the view decides for itself.

    On a page that an emergency access opened: whether it opens that too.
    """
    if holds(request, permission):
        return cast(StaffRequest, request).emergency is None or permission in UNDER_EMERGENCY
    return False


def holds(request: HttpRequest, permission: str) -> bool:
    """Whether the role of the person asking has a permission, whatever the page: for the navigation."""
    staff = _staff_of(request)
    return staff is not None and staff.role in WHO_MAY[permission]


def own_zone(request: HttpRequest) -> ZoneInfo:
    """The zone in which the person asking sees moments: for pages about themselves, which no `may` guards."""
    _staff_of(request)
    return zone_named(cast(StaffRequest, request).zone)


def _staff_of(request: HttpRequest) -> Staff | None:
    """Who asks, read once a request; None: signed out, or signed in without a role."""
    if not hasattr(request, "staff"):
        user = request.user
        asks = at_work(user.pk, now=clock.now()) if user.is_authenticated and user.is_active else None
        known = cast(StaffRequest, request)
        known.location_ids = asks.location_ids if asks else frozenset()
        known.zone = asks.zone if asks else "UTC"
        known.opened = asks.opened if asks else ()
        known.emergencies, known.emergency = {}, None
        if asks:
            asks.staff.user = cast(Any, user)
        request.staff = asks.staff if asks else None  # type: ignore[attr-defined]
    return cast(StaffRequest, request).staff


def _to_sign_in(request: HttpRequest) -> HttpResponse:
    """To the sign-in page, and back here afterwards; a part of a page sends the whole page there."""
    if request.headers.get("HX-Request"):
        return HttpResponseClientRedirect(reverse("login"))
    return redirect_to_login(request.get_full_path())
