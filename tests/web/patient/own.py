"""For tests of a patient's own page: dates of birth, and addresses behind a link."""

from django.urls import reverse

from resupply.services.doors import IssuedLink

BORN = {"month": "2", "day": "4", "year": "1961"}
WRONG = {"month": "2", "day": "4", "year": "1962"}


def at(issued: IssuedLink, name: str = "page", *args: object) -> str:
    return reverse(f"me:{name}", args=[issued.token, *args])
