"""Addresses that carry a token: what leaves the building names them in full.

Written out, not asked of Django: a worker writes one for each message, and what was sent has to hold for
ever.
"""

from django.conf import settings


def question(token: str) -> str:
    """The page of a refill question; without a token none."""
    return _full(f"ask/{token}/", token)


def own_page(token: str) -> str:
    """A patient's own page; without a token none."""
    return _full(f"me/{token}/", token)


def way_out(token: str) -> str:
    """The page that ends messages; without a token none."""
    return _full(f"stop/{token}/", token)


def calendar(token: str) -> str:
    """What a calendar program fetches; without a token none."""
    return _full(f"cal/{token}.ics", token)


def _full(path: str, token: str) -> str:
    return f"{settings.PUBLIC_URL}/{path}" if token else ""
