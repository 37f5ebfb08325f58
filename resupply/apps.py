"""The application."""

from django.apps import AppConfig


class ResupplyConfig(AppConfig):
    """Records, rules, plans and pages of resupply."""

    name = "resupply"
    verbose_name = "Resupply"
