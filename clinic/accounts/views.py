"""Pages about one's own sign-in: where it is signed in, proof of who one is, a form that came too late."""

from typing import Any, cast
from uuid import UUID

from django.contrib import messages
from django.contrib.auth import authenticate
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, PasswordChangeView
from django.forms import CharField, Form, PasswordInput
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from clinic.accounts import kept, passwords, second, sessions
from clinic.accounts.forms import OtherPasswordForm, SignInForm
from clinic.accounts.models import User
from resupply import clock
from resupply.web.access import own_zone
from resupply.web.methods import GET_OR_POST, posted


class ProofForm(Form):
    """The password once more."""

    password = CharField(
        strip=False, widget=PasswordInput(attrs={"autocomplete": "current-password", "autofocus": True})
    )


class SignIn(LoginView):
    """The sign-in page. Who has a second step is asked for it before anything opens."""

    redirect_authenticated_user = True
    authentication_form = SignInForm

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """In, or on to the second step; a form that was sent too late waits through both."""
        user = form.get_user()
        if not second.has_one(user):
            return super().form_valid(form)
        second.await_step(self.request, user, self.get_success_url())
        return redirect("second_step")


class PasswordChange(PasswordChangeView):
    """A new password ends what is signed in elsewhere."""

    form_class = OtherPasswordForm

    def form_valid(self, form: Any) -> HttpResponse:
        """Save it; Django keeps this session, the others no longer fit the password."""
        old = self.request.session.session_key or ""
        answer = super().form_valid(form)
        sessions.moved(self.request.session, old)
        here = self.request.session.session_key or ""
        passwords.changed(cast(User, self.request.user), this_session=here, now=clock.now())
        return answer


@login_required
@require_GET
@never_cache
def your_sign_in(request: HttpRequest) -> HttpResponse:
    """Everything about one's own sign-in."""
    user = cast(User, request.user)
    context = {
        "here": sessions.here(user),
        "this_key": request.session.session_key,
        "factors": second.of(user),
        "required": second.is_missing(request),
        "codes_left": second.codes_left(user),
    }
    with timezone.override(own_zone(request)):
        return render(request, "registration/your_sign_in.html", context)


@login_required
@require_POST
def sign_in_end(request: HttpRequest, public_id: UUID) -> HttpResponse:
    """End one of one's own sign-ins."""
    if sessions.end(cast(User, request.user), now=clock.now(), only=str(public_id)):
        messages.success(request, "That device is signed out.")
    return redirect("your_sign_in")


@login_required
@require_POST
def sign_ins_end(request: HttpRequest) -> HttpResponse:
    """End all of one's own sign-ins but this one."""
    count = sessions.end(cast(User, request.user), now=clock.now(), but=request.session.session_key or "")
    messages.success(request, f"Signed out elsewhere: {count}.")
    return redirect("your_sign_in")


@login_required
@require_POST
def stay(request: HttpRequest) -> HttpResponse:
    """Somebody is still there: the guard has noted it."""
    return HttpResponse(status=204)


@sensitive_post_parameters("password")
@login_required
@GET_OR_POST
@never_cache
def prove(request: HttpRequest) -> HttpResponse:
    """Ask for the password, or a passkey, once more before something that matters. Wrong ones count as at
    sign-in.
    """
    there = request.POST.get("next") or request.GET.get("next", "")
    if not url_has_allowed_host_and_scheme(there, {request.get_host()}, require_https=request.is_secure()):
        there = reverse("home")
    user = cast(User, request.user)
    form = ProofForm(posted(request))
    if request.method == "POST":
        if _proves(request, user, form):
            sessions.prove(request.session, now=clock.now())
            return redirect(there)
        form.is_valid()
        form.add_error("password", "That is not yours. Try again.")
    context = {"form": form, "next": there, "has_passkey": second.has_passkey(user)}
    return render(request, "registration/prove.html", context, status=422 if form.is_bound else 200)


def _proves(request: HttpRequest, user: User, form: ProofForm) -> bool:
    """Whether what was sent is an answer of one's passkey, or one's password."""
    answer = request.POST.get("credential", "")
    if answer:
        return not second.is_shut(request, user) and second.is_answered(request, user, answer)
    typed = form.cleaned_data["password"] if form.is_valid() else ""
    return bool(typed) and authenticate(request, username=user.username, password=typed) == user


@login_required
@require_GET
@never_cache
def kept_form(request: HttpRequest) -> HttpResponse:
    """What was sent too late, to look at and to send now."""
    found = kept.find(request.session, int(request.user.pk or 0), now=clock.now())
    if found is None:
        return redirect("home")
    del request.session[kept.KEY]
    shown = [(name.replace("_", " ").replace("-", " "), value) for name, value in found.fields if value]
    return render(request, "registration/kept.html", {"kept": found, "shown": shown})
