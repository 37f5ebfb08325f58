"""What who tries too many passwords is told: the same whether the account exists or not."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.accounts.forms import SignInForm


def locked_out(
    request: HttpRequest, response: HttpResponse | None = None, credentials: dict[str, Any] | None = None
) -> HttpResponse:
    """The sign-in page with the time to wait, status 429. Of what was typed, only the name comes back."""
    named = (credentials or {}).get("username") or request.POST.get("username", "")
    context = {
        "form": SignInForm(request, initial={"username": named}),
        "next": request.POST.get("next", ""),
        "minutes": int(settings.AXES_COOLOFF_TIME.total_seconds() // 60),
    }
    return render(request, "registration/login.html", context, status=429)
