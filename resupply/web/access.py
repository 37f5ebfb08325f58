"""Who may see and do what: all of it.

Every view says with `@may("...")` which permission it needs; `WHO_MAY` says which roles have it. What is
not listed here is closed: `Gate` refuses a view that names no permission, unless it is one of the
`OPEN_VIEWS` (sign-in, and addresses that are secrets in themselves). Records are fetched through this
module only: a member of staff sees the patients of the locations worked at (none listed: of all).

Signed out leads to the sign-in page; a wrong role, or no role, to a page that says so (403); a patient of
another location is not found (404), as if there were none.

Moments are shown in the zone of the patient's location, and where no one patient is meant, of the first
location of the person asking.
"""

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar, cast
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib.auth.views import redirect_to_login
from django.contrib.postgres.aggregates import ArrayAgg
from django.core.exceptions import PermissionDenied
from django.db.models import Model, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone
from django_htmx.http import HttpResponseClientRedirect

from resupply.models import (
    BackOrder,
    CatalogueItem,
    Contact,
    Device,
    Dispense,
    DispenseLine,
    Event,
    Fitting,
    FollowUp,
    ImportBatch,
    Location,
    MagnetScreen,
    MatchingVersion,
    MatchRecord,
    NightImport,
    Order,
    Patient,
    PatientStatus,
    Proof,
    Recall,
    RefillAnswer,
    Role,
    Staff,
    StockMovement,
    Subscription,
    TextReview,
    Upload,
)

P = ParamSpec("P")
M = TypeVar("M", bound=Model)
EVERYONE = frozenset(Role)
_CARE = frozenset({Role.DESK, Role.THERAPIST, Role.MANAGER, Role.ADMINISTRATOR})
_THERAPY = frozenset({Role.THERAPIST, Role.ADMINISTRATOR})
_LEAD = frozenset({Role.MANAGER, Role.ADMINISTRATOR})

WHO_MAY: dict[str, frozenset[Role]] = {
    "home": EVERYONE,
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
    "contact.record": _CARE,
    "contact.void": _CARE,
    "worklist.export": _LEAD,
    "fitting.see": _CARE,
    "fitting.record": _THERAPY,
    "match.record": _THERAPY,
    "follow_up.record": _THERAPY,
    "nights.record": _THERAPY,
    "care_sheet.see": _CARE,
    "care_text.review": _THERAPY | _LEAD,
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
    "import.run": _LEAD,
    "overdue.see": _LEAD,
    "overdue.export": _LEAD,
}
"""Which roles have a permission."""

OPEN_VIEWS = frozenset(
    {"login", "logout", "password_change", "password_change_done", "feed:calendar", "gallery"}
)
"""Names of views without a permission: sign-in, and pages whose address is the secret."""


class StaffRequest(HttpRequest):
    """A request that came through `may`: `staff` is who asks, `location_ids` where (empty: everywhere)."""

    staff: Staff
    location_ids: frozenset[int]
    zone: str


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
            with timezone.override(ZoneInfo(known.zone)):
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
    """Whether the person asking has a permission: for links and buttons; the view decides for itself."""
    staff = _staff_of(request)
    return staff is not None and staff.role in WHO_MAY[permission]


def patients(request: StaffRequest) -> QuerySet[Patient]:
    """The patients this member of staff may see; not those whose import was undone."""
    return Patient.objects.filter(_here(request, "location")).exclude(status=PatientStatus.WITHDRAWN)


def locations(request: StaffRequest) -> QuerySet[Location]:
    """The locations this member of staff works at."""
    return Location.objects.filter(_here(request, "pk"))


def patient_or_404(request: StaffRequest, public_id: UUID) -> Patient:
    """One patient this member of staff may see, with its location and until when its plan holds."""
    found = patients(request).select_related("location", "plan_state")
    person = _or_404(found.filter(public_id=public_id))
    _show_times_at(person.location)
    return person


def dispense_or_404(request: StaffRequest, public_id: UUID) -> Dispense:
    """One dispense of such a patient."""
    dispense = _or_404(
        Dispense.objects.select_related("patient__location", "location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(dispense.patient.location)
    return dispense


def dispense_line_or_404(request: StaffRequest, public_id: UUID, position: int) -> DispenseLine:
    """One line of such a dispense."""
    line = _or_404(
        DispenseLine.objects.select_related(
            "dispense__patient__location", "dispense__location", "item"
        ).filter(
            _here(request, "dispense__patient__location"), dispense__public_id=public_id, position=position
        )
    )
    _show_times_at(line.dispense.patient.location)
    return line


def proof_or_404(request: StaffRequest, public_id: UUID) -> Proof:
    """One proof of delivery of such a dispense."""
    proof = _or_404(
        Proof.objects.select_related("dispense__patient__location", "dispense__location").filter(
            _here(request, "dispense__patient__location"), public_id=public_id
        )
    )
    _show_times_at(proof.dispense.patient.location)
    return proof


def event_or_404(request: StaffRequest, public_id: UUID) -> Event:
    """One event of such a patient."""
    event = _or_404(
        Event.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(event.patient.location)
    return event


def fitting_or_404(request: StaffRequest, public_id: UUID) -> Fitting:
    """One fitting of such a patient."""
    visit = _or_404(
        Fitting.objects.select_related("patient__location", "location", "refit").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(visit.location)
    return visit


def follow_up_or_404(request: StaffRequest, public_id: UUID) -> FollowUp:
    """One follow-up of such a patient."""
    row = _or_404(
        FollowUp.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def night_import_or_404(request: StaffRequest, public_id: UUID) -> NightImport:
    """One file of nights of such a patient."""
    row = _or_404(
        NightImport.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(row.patient.location)
    return row


def text_review_or_404(request: StaffRequest, pk: int) -> TextReview:
    """One approval of a text: it is about no patient."""
    return _or_404(TextReview.objects.filter(pk=pk))


def matching_version_or_404(request: StaffRequest, public_id: UUID) -> MatchingVersion:
    """One version of the clinic's matching table."""
    return _or_404(MatchingVersion.objects.filter(public_id=public_id))


def match_or_404(request: StaffRequest, public_id: UUID) -> MatchRecord:
    """One match of such a patient."""
    record = _or_404(
        MatchRecord.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(record.patient.location)
    return record


def screen_or_404(request: StaffRequest, public_id: UUID) -> MagnetScreen:
    """One magnet screen of such a patient."""
    screen = _or_404(
        MagnetScreen.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(screen.patient.location)
    return screen


def device_or_404(request: StaffRequest, public_id: UUID) -> Device:
    """One device of such a patient."""
    device = _or_404(
        Device.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(device.patient.location)
    return device


def order_or_404(request: StaffRequest, public_id: UUID) -> Order:
    """One prescriber's order of such a patient."""
    order = _or_404(
        Order.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(order.patient.location)
    return order


def item_or_404(public_id: UUID) -> CatalogueItem:
    """One item of the shelf, which all locations share."""
    return _or_404(CatalogueItem.objects.filter(public_id=public_id))


def recall_or_404(public_id: UUID) -> Recall:
    """One recall, which bears on all locations."""
    return _or_404(
        Recall.objects.select_related("item", "recorded_by", "voided_by").filter(public_id=public_id)
    )


def refill_answer_or_404(request: StaffRequest, public_id: UUID) -> RefillAnswer:
    """One answer to a refill of such a patient."""
    answer = _or_404(
        RefillAnswer.objects.select_related("patient__location", "recorded_by", "handled_by").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(answer.patient.location)
    return answer


def contact_or_404(request: StaffRequest, public_id: UUID) -> Contact:
    """One contact with such a patient."""
    contact = _or_404(
        Contact.objects.select_related("patient__location").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(contact.patient.location)
    return contact


def movement_or_404(request: StaffRequest, public_id: UUID) -> StockMovement:
    """One movement of stock at a location of this member of staff."""
    movement = _or_404(
        StockMovement.objects.select_related("location", "item").filter(
            _here(request, "location"), public_id=public_id
        )
    )
    _show_times_at(movement.location)
    return movement


def back_order_or_404(request: StaffRequest, public_id: UUID) -> BackOrder:
    """One back order of a patient this member of staff may see."""
    order = _or_404(
        BackOrder.objects.select_related("patient__location", "location", "item").filter(
            _here(request, "patient__location"), public_id=public_id
        )
    )
    _show_times_at(order.patient.location)
    return order


def subscription_or_404(request: StaffRequest, public_id: UUID) -> Subscription:
    """One calendar address of such a patient, without what it answers."""
    calendar = _or_404(
        Subscription.objects.select_related("patient__location")
        .defer("body")
        .filter(_here(request, "patient__location"), public_id=public_id)
    )
    _show_times_at(calendar.patient.location)
    return calendar


def upload_or_404(public_id: UUID) -> Upload:
    """One list sent from a browser. A list is the whole clinic's: it may bring patients of any location."""
    found = Upload.objects.select_related("uploaded_by", "accepted_by", "batch")
    return _or_404(found.filter(public_id=public_id))


def batch_or_404(public_id: UUID) -> ImportBatch:
    """One import that was written, which is the whole clinic's too."""
    return _or_404(ImportBatch.objects.select_related("imported_by", "undone_by").filter(public_id=public_id))


def _here(request: StaffRequest, path: str) -> Q:
    """The filter "at a location of this member of staff" for the field that names the location.

    Where that is a patient's, records of patients whose import was undone are left out too.
    """
    here = Q(**{f"{path}__in": sorted(request.location_ids)}) if request.location_ids else Q()
    if path.endswith("patient__location"):
        here &= ~Q(**{f"{path.removesuffix('location')}status": PatientStatus.WITHDRAWN})
    return here


def _show_times_at(location: Location) -> None:
    """Show moments as the clocks of a location do, until the view is done."""
    timezone.activate(ZoneInfo(location.time_zone))


def _or_404(found: "QuerySet[M]") -> M:
    """The one row, or a page that says there is none."""
    row = found.first()
    if row is None:
        raise Http404
    return row


_zones = Location.objects.order_by("name").values("time_zone")


def _staff_of(request: HttpRequest) -> Staff | None:
    """Who asks, read once a request; None: signed out, or signed in without a role."""
    if not hasattr(request, "staff"):
        staff = (
            Staff.objects.select_related("user")
            .filter(user_id=request.user.pk, user__is_active=True)
            .annotate(
                places=ArrayAgg("locations", filter=Q(locations__isnull=False), default=[]),
                zone=Coalesce(Subquery(_zones.filter(staff=OuterRef("pk"))[:1]), Subquery(_zones.all()[:1])),
            )
            .first()
            if request.user.is_authenticated
            else None
        )
        request.staff = staff  # type: ignore[attr-defined]
        request.location_ids = frozenset(staff.places if staff else ())  # type: ignore[attr-defined]
        request.zone = (staff.zone if staff else None) or "UTC"  # type: ignore[attr-defined]
    return cast(StaffRequest, request).staff


def _to_sign_in(request: HttpRequest) -> HttpResponse:
    """To the sign-in page, and back here afterwards; a part of a page sends the whole page there."""
    if request.headers.get("HX-Request"):
        return HttpResponseClientRedirect(reverse("login"))
    return redirect_to_login(request.get_full_path())
