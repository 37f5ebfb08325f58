"""Records of the clinic itself, found here only: locations, policy, shelf, recalls, imports, one's own work.

What is about one patient is found in `patients.py`.
"""

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from resupply.models import (
    AllowanceVersion,
    BulkAct,
    CatalogueItem,
    CleaningChoice,
    ClinicTermsVersion,
    ClosedDay,
    EmergencyAccess,
    FollowUpPlanVersion,
    ImportBatch,
    InboundText,
    Integration,
    Job,
    LifeVersion,
    Location,
    MatchingVersion,
    MessageTermsVersion,
    Patient,
    Payer,
    PolicyDraft,
    Recall,
    RefillRuleVersion,
    SavedView,
    StockMovement,
    TextReview,
    Upload,
)
from resupply.queries import emergency, inbound
from resupply.web.access.found import here, or_404, show_times_at
from resupply.web.access.roles import StaffRequest, can


def locations(request: StaffRequest) -> QuerySet[Location]:
    """The locations this member of staff works at."""
    return Location.objects.filter(here(request, "pk"))


def open_locations(request: StaffRequest) -> QuerySet[Location]:
    """Those of them that are open: where something new may be recorded."""
    return locations(request).filter(closed_on=None)


def locations_for(request: StaffRequest, person: Patient) -> QuerySet[Location]:
    """The locations a patient may be moved to: under an emergency access to none, or it would outlast the
    hour. The patient's own is among them even if it is closed.
    """
    own = Location.objects.filter(pk=person.location_id)
    return own if request.emergency else own | open_locations(request)


def emergency_or_404(request: StaffRequest, public_id: UUID) -> EmergencyAccess:
    """An emergency access of the person asking."""
    return or_404(EmergencyAccess.objects.filter(user=request.staff.user_id, public_id=public_id))


def emergency_to_review_or_404(request: StaffRequest, public_id: UUID) -> EmergencyAccess:
    """An emergency access that this manager sees."""
    return or_404(emergency.to_review(request.location_ids).filter(public_id=public_id))


def location_or_404(request: StaffRequest, pk: int) -> Location:
    """One location this member of staff works at."""
    return or_404(locations(request).filter(pk=pk))


def any_location_or_404(pk: int) -> Location:
    """One location, for those who look after all of them wherever they work: it is about no patient."""
    return or_404(Location.objects.filter(pk=pk))


def closed_day_or_404(request: StaffRequest, public_id: UUID) -> ClosedDay:
    """One day off of such a location."""
    rows = ClosedDay.objects.select_related("location").filter(here(request, "location"))
    return or_404(rows.filter(public_id=public_id))


def movement_or_404(request: StaffRequest, public_id: UUID) -> StockMovement:
    """One movement of stock at a location of this member of staff."""
    movement = or_404(
        StockMovement.objects.select_related("location", "item").filter(
            here(request, "location"), public_id=public_id
        )
    )
    show_times_at(movement.location)
    return movement


def text_review_or_404(pk: int) -> TextReview:
    """One approval of a text: it is about no patient."""
    return or_404(TextReview.objects.filter(pk=pk))


def integration_or_404(public_id: UUID) -> Integration:
    """One program that reads records."""
    return or_404(
        Integration.objects.select_related("created_by", "ended_by")
        .prefetch_related("locations")
        .filter(public_id=public_id)
    )


def payer_or_404(pk: int) -> Payer:
    """One payer: all locations share them."""
    return or_404(Payer.objects.filter(pk=pk))


def follow_up_plan_or_404(pk: int) -> FollowUpPlanVersion:
    """One version of the clinic's plan of follow-ups."""
    return or_404(FollowUpPlanVersion.objects.filter(pk=pk))


def matching_version_or_404(public_id: UUID) -> MatchingVersion:
    """One version of the clinic's matching table."""
    return or_404(MatchingVersion.objects.filter(public_id=public_id))


def item_or_404(public_id: UUID) -> CatalogueItem:
    """One item of the shelf, which all locations share."""
    return or_404(CatalogueItem.objects.filter(public_id=public_id))


def policy_draft_or_404(public_id: UUID) -> PolicyDraft:
    """One draft of policy, which bears on all locations."""
    rows = PolicyDraft.objects.select_related("payer", "drafted_by", "decided_by", "run__job")
    return or_404(rows.filter(public_id=public_id))


_VERSIONS: dict[str, "QuerySet[Any]"] = {
    "life": LifeVersion.objects.filter(patient=None),
    "allowance": AllowanceVersion.objects.select_related("payer"),
    "refill": RefillRuleVersion.objects.select_related("payer"),
    "terms": ClinicTermsVersion.objects.all(),
    "cleaning": CleaningChoice.objects.all(),
    "matching": MatchingVersion.objects.all(),
    "follow_ups": FollowUpPlanVersion.objects.all(),
    "messages": MessageTermsVersion.objects.all(),
}


def policy_version_or_404(kind: str, pk: int) -> Any:
    """One standing version of the clinic's or a payer's rules; a patient's own life is none."""
    if kind not in _VERSIONS:
        raise Http404
    return or_404(_VERSIONS[kind].filter(pk=pk, voided_at=None))


def recall_or_404(public_id: UUID) -> Recall:
    """One recall, which bears on all locations."""
    return or_404(
        Recall.objects.select_related("item", "recorded_by", "voided_by").filter(public_id=public_id)
    )


def inbound_text_or_404(request: StaffRequest, public_id: UUID) -> InboundText:
    """One text that came in, from such a patient or from a number nobody has."""
    return or_404(inbound.seen_at(request.location_ids).filter(public_id=public_id))


def upload_or_404(public_id: UUID) -> Upload:
    """One list sent from a browser. A list is the whole clinic's: it may bring patients of any location."""
    found = Upload.objects.select_related("uploaded_by", "accepted_by", "batch")
    return or_404(found.filter(public_id=public_id))


def batch_or_404(public_id: UUID) -> ImportBatch:
    """One import that was written, which is the whole clinic's too."""
    return or_404(ImportBatch.objects.select_related("imported_by", "undone_by").filter(public_id=public_id))


def jobs(request: StaffRequest) -> "QuerySet[Job]":
    """The jobs this member of staff asked for, at locations that are still theirs."""
    mine = Job.objects.filter(asked_by=request.staff.user_id)
    if request.location_ids:
        here = sorted(request.location_ids)
        mine = mine.filter(location_ids__contained_by=here, location_ids__len__gt=0)
    return mine


def job_or_404(request: StaffRequest, public_id: UUID) -> Job:
    """A job this member of staff asked for, while the permission for what it holds is still theirs."""
    job = or_404(jobs(request).filter(public_id=public_id))
    if not can(request, job.permission):
        raise Http404
    return job


def saved_view_or_404(request: StaffRequest, public_id: UUID) -> SavedView:
    """A view of the overdue list that the person asking saved."""
    mine = SavedView.objects.filter(user=request.staff.user_id, removed_at=None)
    return or_404(mine.filter(public_id=public_id))


def bulk_act_or_404(request: StaffRequest, public_id: UUID) -> BulkAct:
    """What the person asking did to overdue lines."""
    mine = BulkAct.objects.filter(acted_by=request.staff.user_id).select_related("assigned_to")
    return or_404(mine.filter(public_id=public_id))
