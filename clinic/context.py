"""What every page may say about the clinic."""

from django.conf import settings
from django.http import HttpRequest


def clinic(request: HttpRequest) -> dict[str, object]:
    """Return `clinic_name` and `demo` (whether the page must say that all of this is invented)."""
    return {"clinic_name": settings.CLINIC_NAME, "demo": settings.DEMO}
