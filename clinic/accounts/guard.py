"""What stands before every page of somebody signed in: the limits of a session, the second step, fresh proof.

Looked at after the check of the form's token, so that nobody else's page can put a form into a session.
"""

from collections.abc import Callable

from django.conf import settings
from django.contrib.auth import logout
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django_htmx.http import HttpResponseClientRedirect

from clinic.accounts import kept, sessions
from resupply import clock
from resupply.web.access import OPEN_VIEWS

SENSITIVE = frozenset(
    {
        *("manager:sharing_new", "manager:sharing_end"),
        *("second_app", "passkey_add", "factor_remove", "recovery_codes", "own_address"),
        *("people_invite", "people_withdraw", "people_change", "people_act"),
        *("sign_in_end", "sign_ins_end"),
    }
)
"""Views that, when something is sent to them, ask for a proof not older than ten minutes."""
TAKES_AWAY = frozenset(
    {
        *("desk:book_csv", "manager:overdue_csv", "manager:overdue_xlsx", "manager:missing_csv"),
        *("manager:history_csv", "manager:history_xlsx", "manager:disclosures_csv", "worklist_csv"),
        *("manager:packet_pdf", "manager:packet_json", "manager:recall_reach_csv", "job_file"),
        *("manager:policy_csv", "desk:import_failed"),
    }
)
"""Views that hand out patients' records as a file: they ask for it when they are opened. Files without
patients, and one patient's papers, are named in tests/web/test_fresh_proof.py.
"""
STEPS = frozenset(
    {
        *("login", "logout", "second_step", "kept_form", "your_sign_in", "prove"),
        *("second_app", "passkey_add", "passkey_begin", "passkey_ask", "recovery_codes", "password_change"),
        *("password_change_done", "stay"),
    }
)
"""Views that somebody without a second step may open: the way to one."""
_BY_ITSELF = frozenset({"job", "desk:import_upload"})
"""Pages that ask for their own parts while nobody is there."""
_DOORS = frozenset({"login", "logout", "second_step", "kept_form", "prove"})


class Guard:
    """Ends sessions that are over, and leads to what is missing."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Hand the request on; the decision falls in `process_view`."""
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., object], args: object, kwargs: object
    ) -> HttpResponse | None:
        """Let pass, or lead elsewhere. Addresses that are secrets in themselves ask for no session."""
        name = request.resolver_match.view_name if request.resolver_match else ""
        if name in OPEN_VIEWS and name not in STEPS | SENSITIVE:
            return None
        if not request.user.is_authenticated:
            return None
        now = clock.now()
        if sessions.is_over(request.session, now=now):
            return _sign_in_again(request)
        if name not in _BY_ITSELF or not request.headers.get("HX-Request"):
            sessions.keep(request.session, now=now)
        if settings.SECOND_STEP and sessions.SECOND not in request.session and name not in STEPS:
            return _lead(request, reverse("your_sign_in"))
        asks = name in TAKES_AWAY or (name in SENSITIVE and request.method == "POST")
        if asks and not sessions.is_proven(request.session, now=now):
            return _prove(request)
        return None


def _sign_in_again(request: HttpRequest) -> HttpResponse | None:
    """Out; what was sent waits for the same person. The sign-in page itself is simply shown."""
    name = request.resolver_match.view_name if request.resolver_match else ""
    sent = kept.take(request) if name not in _DOORS else None
    there = request.get_full_path() if request.method == "GET" else reverse("home")
    logout(request)
    if sent:
        kept.store(request.session, sent, now=clock.now())
        there = reverse("kept_form")
    if name in ("login", "logout"):
        return None
    if request.headers.get("HX-Request"):
        return HttpResponseClientRedirect(reverse("login"))
    return redirect_to_login(there)


def _prove(request: HttpRequest) -> HttpResponse:
    """To the page that asks for a proof; what was sent waits meanwhile."""
    there = request.get_full_path()
    sent = kept.take(request)
    if sent:
        kept.store(request.session, sent, now=clock.now())
        there = reverse("kept_form")
    elif request.method != "GET":
        there = reverse("home")
    return _lead(request, redirect_to_login(there, reverse("prove"))["Location"])


def _lead(request: HttpRequest, there: str) -> HttpResponse:
    if request.headers.get("HX-Request"):
        return HttpResponseClientRedirect(there)
    return redirect(there)
