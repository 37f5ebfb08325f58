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

from resupply.web.access.records import (
    back_order_or_404,
    batch_or_404,
    bulk_act_or_404,
    closed_day_or_404,
    contact_or_404,
    device_or_404,
    dispense_line_or_404,
    dispense_or_404,
    event_or_404,
    fitting_or_404,
    follow_up_or_404,
    follow_up_plan_or_404,
    item_or_404,
    job_or_404,
    jobs,
    link_or_404,
    location_or_404,
    locations,
    match_or_404,
    matching_version_or_404,
    movement_or_404,
    night_import_or_404,
    order_or_404,
    packet_or_404,
    patient_or_404,
    patients,
    payer_or_404,
    proof_or_404,
    question_or_404,
    recall_contact_or_404,
    recall_or_404,
    refill_answer_or_404,
    report_or_404,
    screen_or_404,
    saved_view_or_404,
    subscription_or_404,
    text_review_or_404,
    upload_or_404,
)
from resupply.web.access.roles import EVERYONE, OPEN_VIEWS, WHO_MAY, Gate, StaffRequest, can, may

__all__ = [
    "EVERYONE",
    "OPEN_VIEWS",
    "WHO_MAY",
    "Gate",
    "StaffRequest",
    "back_order_or_404",
    "batch_or_404",
    "can",
    "bulk_act_or_404",
    "closed_day_or_404",
    "contact_or_404",
    "device_or_404",
    "dispense_line_or_404",
    "dispense_or_404",
    "event_or_404",
    "fitting_or_404",
    "follow_up_or_404",
    "follow_up_plan_or_404",
    "item_or_404",
    "job_or_404",
    "jobs",
    "link_or_404",
    "location_or_404",
    "locations",
    "match_or_404",
    "matching_version_or_404",
    "may",
    "movement_or_404",
    "night_import_or_404",
    "order_or_404",
    "packet_or_404",
    "patient_or_404",
    "patients",
    "payer_or_404",
    "proof_or_404",
    "question_or_404",
    "recall_contact_or_404",
    "recall_or_404",
    "refill_answer_or_404",
    "report_or_404",
    "screen_or_404",
    "subscription_or_404",
    "saved_view_or_404",
    "text_review_or_404",
    "upload_or_404",
]
