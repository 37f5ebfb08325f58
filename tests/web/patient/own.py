"""For tests of a patient's own page: dates of birth, addresses behind a link, and what it says."""

import re

from django.urls import reverse

from resupply.services.doors import IssuedLink

BORN = {"month": "2", "day": "4", "year": "1961"}
WRONG = {"month": "2", "day": "4", "year": "1962"}


def at(issued: IssuedLink, name: str = "page", *args: object) -> str:
    return reverse(f"me:{name}", args=[issued.token, *args])


def without_help(page: str) -> str:
    """A page without the help that lies folded in it."""
    return re.sub(r'<details class="help-fold">.*?</details>', "", page, flags=re.S)
