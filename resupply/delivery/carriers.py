"""Which channels this clinic can send on, each with what opens its carrier."""

from collections.abc import Callable

from django.conf import settings

from resupply.delivery.mail import MailCarrier
from resupply.delivery.texts import TextCarrier
from resupply.rules.sending import Carrier


def carriers() -> dict[str, Callable[[], Carrier]]:
    """Carriers by channel; text messages only where a provider is named (`TEXT_URL`)."""
    found: dict[str, Callable[[], Carrier]] = {"mail": MailCarrier}
    if settings.TEXT_URL:
        found["text"] = TextCarrier
    return found
