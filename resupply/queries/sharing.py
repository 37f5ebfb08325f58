"""What an integration may read: the records of its resources, of patients of its locations, and no others.

Each search is a query set in the order of its key, so that a page starts after the last row of the one
before, and costs the same however deep it lies. Imports that were undone are not given out.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.db.models import Count, F, Model, Prefetch, Q, QuerySet

from resupply.models import (
    Device,
    DispenseLine,
    Integration,
    OrderItem,
    Patient,
    PatientStatus,
    QuestionPart,
    QuestionState,
    RefillQuestion,
    SharedRead,
    SharedResource,
)
from resupply.queries.feeds import token_hash

PAGE = 50
MOST = 100
"""Resources on a page at most, whatever was asked for."""


@dataclass(frozen=True, slots=True)
class Between:
    """Days from `least` to `most`, both included; None: no end."""

    least: date | None = None
    most: date | None = None


@dataclass(frozen=True, slots=True)
class Sought:
    """What a search narrows to; None: it does not."""

    id: str | None = None
    patient: UUID | None = None
    status: frozenset[str] | None = None
    identifier: str | None = None
    born_on: date | None = None
    authored: Between | None = None


def integration_of(token: str) -> Integration | None:
    """The integration a token belongs to, ended or not; None: nobody's."""
    return Integration.objects.filter(token_hash=token_hash(token)).first()


def is_good(integration: Integration, *, now: datetime) -> bool:
    """Whether it may read at `now`."""
    return integration.ended_at is None and now < integration.expires_at


def within(integration: Integration) -> QuerySet[Patient]:
    """The patients an integration may read of. One query for its locations."""
    patients = Patient.objects.exclude(status=PatientStatus.WITHDRAWN)
    places = list(integration.locations.values_list("pk", flat=True))
    return patients.filter(location__in=places) if places else patients


def search(
    integration: Integration, resource: SharedResource, sought: Sought, *, today: date
) -> "QuerySet[Model]":
    """What an integration finds of a resource, in the order of its key, with all a page shows."""
    return _SEARCHES[resource](within(integration), sought, today)


def _patients(patients: QuerySet[Patient], sought: Sought, today: date) -> "QuerySet[Model]":
    if sought.id is not None:
        patients = patients.filter(public_id=_uuid(sought.id))
    if sought.identifier is not None:
        patients = patients.filter(reference=sought.identifier)
    if sought.born_on is not None:
        patients = patients.filter(birth_date=sought.born_on)
    if sought.status is not None:  # active
        on_therapy = Q(status=PatientStatus.ON_THERAPY)
        patients = patients.filter(_any(sought.status, {"true": on_therapy, "false": ~on_therapy}))
    return patients.order_by("pk")


def _devices(patients: QuerySet[Patient], sought: Sought, today: date) -> "QuerySet[Model]":
    rows = Device.objects.filter(patient__in=_narrowed(patients, sought))
    if sought.id is not None:
        rows = rows.filter(public_id=_uuid(sought.id))
    if sought.status is not None:
        rows = rows.filter(_any(sought.status, {"active": Q(voided_at=None), **_VOID}))
    return rows.select_related("patient").order_by("pk")


def _orders(patients: QuerySet[Patient], sought: Sought, today: date) -> "QuerySet[Model]":
    rows = OrderItem.objects.filter(order__patient__in=_narrowed(patients, sought))
    if sought.id is not None:
        rows = rows.filter(order__public_id=_uuid(sought.id[:36]), pk=_number(sought.id[36:]))
    if sought.status is not None:
        over = Q(order__ends_on__lt=today)
        standing = Q(order__voided_at=None)
        rows = rows.filter(
            _any(
                sought.status,
                {
                    "active": standing & (Q(order__ends_on=None) | ~over),
                    "completed": standing & over,
                    "entered-in-error": ~standing,
                },
            )
        )
    if sought.authored is not None:
        rows = rows.filter(_days("order__ordered_on", sought.authored))
    return rows.select_related("order__patient").order_by("pk")


def _deliveries(patients: QuerySet[Patient], sought: Sought, today: date) -> "QuerySet[Model]":
    rows = DispenseLine.objects.filter(dispense__patient__in=_narrowed(patients, sought))
    if sought.id is not None:
        rows = rows.filter(dispense__public_id=_uuid(sought.id[:36]), position=_number(sought.id[36:]))
    if sought.status is not None:
        standing = Q(voided_at=None, dispense__voided_at=None)
        gone = ~Q(dispense__parcel="") & Q(voided_at=F("dispense__voided_at"))  # with its parcel
        rows = rows.filter(
            _any(
                sought.status,
                {"completed": standing, "abandoned": gone, "entered-in-error": ~standing & ~gone},
            )
        )
    return rows.select_related("dispense__patient").order_by("pk")


def _tasks(patients: QuerySet[Patient], sought: Sought, today: date) -> "QuerySet[Model]":
    rows = RefillQuestion.objects.filter(patient__in=_narrowed(patients, sought))
    if sought.id is not None:
        rows = rows.filter(public_id=_uuid(sought.id))
    if sought.status is not None:
        rows = rows.filter(_any(sought.status, {word: Q(state=state) for state, word in _STATES.items()}))
    if sought.authored is not None:
        rows = rows.filter(_days("asked_at__date", sought.authored))
    parts = Prefetch("parts", QuestionPart.objects.order_by("kind"))
    return rows.select_related("patient", "answer").prefetch_related(parts).order_by("pk")


_VOID = {"entered-in-error": Q(voided_at__isnull=False)}
_STATES = {
    QuestionState.OPEN: "requested",
    QuestionState.ANSWERED: "completed",
    QuestionState.EXPIRED: "failed",
    QuestionState.WITHDRAWN: "cancelled",
}
_SEARCHES: dict[SharedResource, Callable[[QuerySet[Patient], Sought, date], "QuerySet[Model]"]] = {
    SharedResource.PATIENT: _patients,
    SharedResource.DEVICE: _devices,
    SharedResource.DEVICE_REQUEST: _orders,
    SharedResource.SUPPLY_DELIVERY: _deliveries,
    SharedResource.TASK: _tasks,
}
_NOBODY = UUID(int=0)


def _narrowed(patients: QuerySet[Patient], sought: Sought) -> QuerySet[Patient]:
    return patients if sought.patient is None else patients.filter(public_id=sought.patient)


def _any(wanted: frozenset[str], meanings: Mapping[str, Q]) -> Q:
    """Rows in any of the wanted statuses; one that cannot occur here matches nothing."""
    found = Q(pk__in=[])
    for word in wanted:
        found |= meanings.get(word, Q(pk__in=[]))
    return found


def _days(field: str, between: Between) -> Q:
    found = Q()
    if between.least is not None:
        found &= Q(**{f"{field}__gte": between.least})
    if between.most is not None:
        found &= Q(**{f"{field}__lte": between.most})
    return found


def _uuid(text: str) -> UUID:
    """The id an address names; one that cannot be an id is nobody's."""
    try:
        return UUID(text)
    except ValueError:
        return _NOBODY


def _number(text: str) -> int:
    """The number after the dash; -1, which no row has, where there is none."""
    number = text.removeprefix("-")
    return (
        int(number)
        if text.startswith("-") and number.isascii() and number.isdigit() and len(number) < 10
        else -1
    )


# --- for staff ----------------------------------------------------------------------------------------------


def integrations() -> QuerySet[Integration]:
    """Every integration, the newest first, with how often it read."""
    return (
        Integration.objects.select_related("created_by", "ended_by")
        .prefetch_related("locations")
        .annotate(read_count=Count("reads"))
        .order_by("-pk")
    )


def newest_reads(integration: Integration, *, most: int = 100) -> QuerySet[SharedRead]:
    """Its newest requests, each with how many patients it was given records of."""
    return integration.reads.annotate(patient_count=Count("records")).order_by("-pk")[:most]
