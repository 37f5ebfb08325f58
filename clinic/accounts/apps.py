"""Staff sign-in."""

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """The people who sign in; what they may do is decided elsewhere, by their role."""

    name = "clinic.accounts"
    label = "accounts"
