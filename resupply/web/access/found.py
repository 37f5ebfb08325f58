"""How a record is looked for: at the locations of the person asking, or of a patient opened in an emergency.

Nothing else in `web` filters by location on behalf of one record. What is looked for and not found reads as
if there were none (404).
"""

from typing import TypeVar

import pghistory
from django.db.models import Model, Q, QuerySet
from django.http import Http404
from django.utils import timezone

from resupply.models import Location, Patient, PatientStatus
from resupply.rules.zones import zone_named
from resupply.web.access.roles import StaffRequest

M = TypeVar("M", bound=Model)


def here(request: StaffRequest, path: str) -> Q:
    """The filter "at a location of this member of staff", for the field that names the location."""
    return Q(**{f"{path}__in": sorted(request.location_ids)}) if request.location_ids else Q()


def of_patients(request: StaffRequest, path: str = "") -> Q:
    """The filter "of a patient this member of staff may see", for the way to the patient ("": a patient).

    Records of patients whose import was undone are left out, emergency or not.
    """
    way = f"{path}__" if path else ""
    seen = here(request, f"{way}location")
    if request.location_ids and request.emergencies:
        seen |= Q(**{f"{way}pk__in": sorted(request.emergencies)})
    return seen & ~Q(**{f"{way}status": PatientStatus.WITHDRAWN})


def one(request: StaffRequest, rows: "QuerySet[M]", path: str, **which: object) -> M:
    """The one record that leads to such a patient along `path`; times are those of the patient's location."""
    record = or_404(rows.select_related(f"{path}__location").filter(of_patients(request, path), **which))
    patient: Model = record
    for name in path.split("__"):
        patient = getattr(patient, name)
    assert isinstance(patient, Patient)  # noqa: S101 - for mypy
    now_about(request, patient)
    return record


def now_about(request: StaffRequest, patient: Patient) -> None:
    """The page is about this patient: times as at the patient's location; an emergency access is marked.

    The mark goes with every change that the request makes (`pghistory`), and `can` offers only what such an
    access opens.
    """
    show_times_at(patient.location)
    opened = request.emergencies.get(patient.pk)
    if opened is not None and request.location_ids and patient.location_id not in request.location_ids:
        request.emergency = opened
        if request.method not in ("GET", "HEAD"):
            pghistory.context(emergency=opened.pk)


def show_times_at(location: Location) -> None:
    """Show moments as the clocks of a location do, until the view is done."""
    timezone.activate(zone_named(location.time_zone))


def or_404(found: "QuerySet[M]") -> M:
    """The one row, or a page that says there is none."""
    row = found.first()
    if row is None:
        raise Http404
    return row
