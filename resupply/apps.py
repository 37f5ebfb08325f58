"""The application."""

from django.apps import AppConfig
from django.core import checks


class ResupplyConfig(AppConfig):
    """Records, rules, plans and pages of resupply."""

    name = "resupply"
    verbose_name = "Resupply"

    def ready(self) -> None:
        """Have wordings of texts checked where commands check the site, and forms speak our words."""
        from resupply.delivery.texts.checks import check_texts
        from resupply.web.form_words import speak

        checks.register(check_texts)
        speak()
