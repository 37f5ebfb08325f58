"""Addresses of a patient's own pages: for the patient below the secret of the link, for staff who look at
them below the patient's address at the desk.
"""

from django.http import HttpRequest
from django.urls import reverse
from django.utils.http import urlencode

NOBODY = "-"
"""Stands for the secret where there is none: such an address opens nothing."""


def own_address(request: HttpRequest, name: str, *args: object, **query: str | int) -> str:
    """The address of the own page `name` (without its namespace), for whoever asks."""
    person = looked_at(request)
    if person is None:
        address = reverse(f"me:{name}", args=[request.token, *args])  # type: ignore[attr-defined]
    else:
        rest = reverse(f"me:{name}", args=[NOBODY, *args]).removeprefix(own_path())
        address = reverse("desk:own_page", args=[person]) + rest
        query["language"] = request.language  # type: ignore[attr-defined]
    return f"{address}?{urlencode(query)}" if query else address


def own_path(rest: str = "") -> str:
    """The path of an own page without its secret, for the resolver."""
    return reverse("me:page", args=[NOBODY]) + rest


def looked_at(request: HttpRequest) -> object:
    """The public id of the patient whose pages staff are looking at; None: no staff here."""
    return request.patient.public_id if getattr(request, "is_looking", False) else None  # type: ignore[attr-defined]
