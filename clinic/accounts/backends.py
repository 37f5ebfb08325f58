"""Who may sign in, before any role is looked at."""

from typing import Any

from django.conf import settings
from django.contrib.auth.backends import ModelBackend
from django.http import HttpRequest

from clinic.accounts.models import User
from clinic.processes import is_loopback


class StaffBackend(ModelBackend):
    """Django's check of user name and password, and one more: a demo account works only where the demo runs.

    Were a database with demo accounts ever put behind a real site, or the demo made reachable from other
    machines, their passwords open nothing.
    """

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        **kwargs: Any,
    ) -> User | None:
        """Return the account, or None."""
        user = super().authenticate(request, username=username, password=password, **kwargs)
        if user is not None and user.is_demo and not _is_local_demo(request):
            return None
        return user


def _is_local_demo(request: HttpRequest | None) -> bool:
    """Tell whether this is the demo, asked from the machine it runs on."""
    return settings.DEMO and request is not None and is_loopback(request.META.get("REMOTE_ADDR", ""))
