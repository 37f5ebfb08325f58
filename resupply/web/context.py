"""What every staff page needs besides its own: the navigation, and today."""

from django.http import HttpRequest
from django.urls import reverse

from resupply import clock
from resupply.web.access import holds

_PLACES = [
    ("Today", "home", "home", ("home", "worklist", "desk:text", "desk:undelivered")),
    ("Patients", "desk:find", "patient.find", ("desk:", "therapist:")),
    (
        "Dispensed",
        "desk:book",
        "dispense.see",
        (
            "desk:book",
            "desk:slip",
            "desk:dispense_",
            "desk:line_",
            "desk:parcel",
            "desk:proof_void",
            "desk:sign",
            "manager:packet",
        ),
    ),
    (
        "Follow-ups",
        "therapist:work",
        "follow_up.record",
        ("therapist:work", "therapist:follow_up", "therapist:nights", "therapist:plan", "therapist:payer"),
    ),
    ("Overdue", "manager:overdue", "overdue.see", ("manager:overdue", "manager:missing", "manager:view")),
    ("Stock", "stock:shelves", "stock.see", ("stock:",)),
    (
        "Catalogue",
        "manager:catalogue",
        "catalogue.see",
        (
            *("manager:catalogue", "manager:item", "manager:families", "manager:recall", "manager:notice"),
            *("therapist:matching", "therapist:text"),
        ),
    ),
    (
        "Manage",
        "manager:rooms",
        "manager.rooms",
        (
            *("manager:rooms", "manager:outlook", "manager:measures", "manager:open_", "manager:weekdays"),
            *(
                "manager:day_off",
                "manager:message_terms",
                "manager:first_steps",
                "manager:location",
                "manager:payer",
                "manager:mail",
                "manager:sharing",
                "manager:status",
                "manager:policy",
                "manager:packets",
                "manager:history",
                "manager:emergenc",
                "manager:disclosures",
            ),
            *("desk:import", "job", "people"),
        ),
    ),
]
"""Label, view name, permission, and how the names of its pages begin, in the order of the navigation."""


def staff_page(request: HttpRequest) -> dict[str, object]:
    """`nav`: (label, address, whether one is there) of the places the person may go; `today` where they work;
    `opened`: emergency accesses that last (`queries.emergency.Opened`).

    A view that knows the patient's or the location's zone gives its own `today`.
    """
    if not getattr(request, "user", None) or not request.user.is_authenticated:
        return {}
    here = _place_of(request.resolver_match.view_name if request.resolver_match else "")
    nav = [
        (label, reverse(name), label == here)
        for label, name, permission, _ in _PLACES
        if holds(request, permission)
    ]
    today = clock.today(getattr(request, "zone", "UTC"))
    return {"nav": nav, "today": today, "opened": getattr(request, "opened", ())}


def _place_of(view_name: str) -> str:
    """The place a page belongs to: where the longest of the beginnings fits its view's name."""
    fitting = [
        (len(start), label)
        for label, _, _, starts in _PLACES
        for start in starts
        if view_name.startswith(start)
    ]
    return max(fitting, default=(0, ""))[1]
