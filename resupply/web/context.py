"""What every staff page needs besides its own: the navigation, and today."""

from django.http import HttpRequest
from django.urls import reverse

from resupply import clock
from resupply.web.access import can

_PLACES = [
    ("Today", "home", "home"),
    ("Patients", "desk:find", "patient.find"),
    ("Overdue", "manager:overdue", "overdue.see"),
]
"""Label, view name, permission, in the order of the navigation."""


def staff_page(request: HttpRequest) -> dict[str, object]:
    """`nav`: (label, address, whether one is there) of the places the person may go; `today` in UTC.

    A view that knows the patient's or the location's zone gives its own `today`.
    """
    if not getattr(request, "user", None) or not request.user.is_authenticated:
        return {}
    here = request.resolver_match.view_name if request.resolver_match else ""
    room = here.partition(":")[0]
    nav = [
        (label, reverse(name), here == name or (room == name.partition(":")[0] != "home"))
        for label, name, permission in _PLACES
        if can(request, permission)
    ]
    return {"nav": nav, "today": clock.today("UTC")}
