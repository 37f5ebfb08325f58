"""What every page may say about the clinic."""

from django.conf import settings
from django.http import HttpRequest


def clinic(request: HttpRequest) -> dict[str, object]:
    """Return `clinic_name`, `demo` (whether the page must say that all of this is invented), and
    `idle_seconds` after which a session that nobody uses ends.
    """
    return {
        "clinic_name": settings.CLINIC_NAME,
        "demo": settings.DEMO,
        "idle_seconds": settings.SESSION_IDLE_MINUTES * 60,
    }
