"""The application."""

from django.apps import AppConfig
from django.core import checks


class ResupplyConfig(AppConfig):
    """Records, rules, plans and pages of resupply."""

    name = "resupply"
    verbose_name = "Resupply"

    def ready(self) -> None:
        """Have wordings of texts checked where commands check the site."""
        from resupply.delivery.texts.checks import check_texts

        checks.register(check_texts)
