"""The context of change history: who, and at which address, without the secret that some addresses are."""

from typing import Any

from django.http import HttpRequest
from pghistory.middleware import HistoryMiddleware

from clinic.logs import scrub


class ScrubbingHistory(HistoryMiddleware):
    """Stores no secret path: it would stand readable beside every record changed from there."""

    def get_context(self, request: HttpRequest) -> dict[str, Any]:
        """The user and the scrubbed address."""
        context: dict[str, Any] = super().get_context(request)
        return context | {"url": scrub(context["url"])}
