"""Pages of the second step: asked for at sign-in, set up and removed under "Your sign-in"."""

from contextlib import suppress
from typing import Any, cast

import segno
from allauth.mfa.adapter import get_adapter
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import generate_totp_secret
from allauth.mfa.webauthn.internal import auth as webauthn
from cryptography.exceptions import InvalidTag
from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from clinic.accounts import second, sessions
from clinic.accounts.models import User
from resupply import clock
from resupply.web.methods import GET_OR_POST, posted

_SECRET = "new_app"  # noqa: S105 - the name of a key of the session


class CodeForm(forms.Form):
    """Six digits of an app, or ten of a recovery code."""

    code = forms.CharField(
        max_length=20,
        widget=forms.TextInput(
            attrs={"autocomplete": "one-time-code", "inputmode": "numeric", "autofocus": True}
        ),
    )


class PasskeyForm(forms.Form):
    """What the browser made, as JSON, and what its owner calls it."""

    name = forms.CharField(max_length=60, label="A name for it")
    credential = forms.JSONField(widget=forms.HiddenInput)


@sensitive_post_parameters("code")
@GET_OR_POST
@never_cache
def second_step(request: HttpRequest) -> HttpResponse:
    """The password was right: a code, or a passkey, opens the rest."""
    found = second.waiting(request, now=clock.now())
    if found is None:
        return redirect("login")
    user, there = found
    shut = second.is_shut(request, user)
    form = CodeForm(posted(request))
    if request.method == "POST" and not shut:
        if _passes(request, user, form):
            second.let_in(request, user)
            return redirect(there or "home")
        form.is_valid()
        form.add_error("code", "That did not fit, or was used before. Try the next code the app shows.")
    status = 429 if shut else 422 if form.is_bound else 200
    context = {"form": form, "shut": shut, "has_passkey": second.has_passkey(user)}
    return render(request, "registration/second_step.html", context, status=status)


def _passes(request: HttpRequest, user: User, form: CodeForm) -> bool:
    """Whether what was sent is right: an answer of a passkey, or a code."""
    answer = request.POST.get("credential", "")
    if not answer:
        return form.is_valid() and second.is_right(request, user, form.cleaned_data["code"])
    return second.is_answered(request, user, answer)


@require_POST
@never_cache
def passkey_ask(request: HttpRequest) -> HttpResponse:
    """The question that a passkey answers: of the person waiting, or of who is in, as a fresh proof."""
    found = second.waiting(request, now=clock.now())
    if found is not None:
        return JsonResponse(_plain(second.ask_passkey(found[0], proves=False)))
    if not request.user.is_authenticated:
        return JsonResponse({}, status=403)
    return JsonResponse(_plain(second.ask_passkey(request.user, proves=True)))


@sensitive_post_parameters("code")
@login_required
@GET_OR_POST
@never_cache
def second_app(request: HttpRequest) -> HttpResponse:
    """Add an authenticator app: a picture to scan, and a code that shows it was scanned."""
    user = cast(User, request.user)
    secret = _offered(request)
    form = CodeForm(posted(request))
    if form.is_valid():
        if second.fits(secret, form.cleaned_data["code"]):
            second.set_app(user, secret, now=clock.now())
            del request.session[_SECRET]
            return _added(request, user)
        form.add_error("code", "That is not the code of this app now. Check the clock of the phone.")
    address = get_adapter().build_totp_url(user, secret)
    picture = segno.make_qr(address, error="m").svg_data_uri(dark="#000", light="#fff", border=4)
    grouped = " ".join(secret[i : i + 4] for i in range(0, len(secret), 4))
    context = {
        "form": form,
        "picture": picture,
        "secret": grouped,
        "replaces": any(one.type == Authenticator.Type.TOTP for one in second.of(user)),
    }
    status = 422 if form.errors else 200
    return render(request, "registration/second_app.html", context, status=status)


def _offered(request: HttpRequest) -> str:
    """The key shown to a new app: the same until its code was right. It waits encrypted in the session."""
    steps = get_adapter()
    if _SECRET in request.session:
        with suppress(InvalidTag):  # the key it lay under was taken out meanwhile
            return str(steps.decrypt(request.session[_SECRET]))
    secret = str(generate_totp_secret())
    request.session[_SECRET] = steps.encrypt(secret)
    return secret


@login_required
@require_POST
def passkey_begin(request: HttpRequest) -> HttpResponse:
    """What a browser needs to make a passkey."""
    return JsonResponse(_plain(webauthn.begin_registration(cast(User, request.user), passwordless=False)))


@login_required
@GET_OR_POST
@never_cache
def passkey_add(request: HttpRequest) -> HttpResponse:
    """Add a passkey that the browser made."""
    user = cast(User, request.user)
    form = PasskeyForm(posted(request))
    if form.is_valid():
        made = form.cleaned_data["credential"]
        try:
            webauthn.parse_registration_response(made)
            webauthn.complete_registration(made)
        except (ValidationError, ValueError, TypeError, KeyError, AttributeError):
            form.add_error(None, "This device made no passkey that we can use. Try again, or use an app.")
        else:
            second.add_passkey(user, form.cleaned_data["name"], made, now=clock.now())
            return _added(request, user)
    status = 422 if form.errors else 200
    return render(request, "registration/passkey_add.html", {"form": form}, status=status)


@login_required
@require_POST
def factor_remove(request: HttpRequest, pk: int) -> HttpResponse:
    """Remove one of one's own second steps, but not the only one."""
    user = cast(User, request.user)
    factor = get_object_or_404(Authenticator, pk=pk, user=user, type__in=("totp", "webauthn"))
    if second.remove(user, factor, now=clock.now()):
        messages.success(request, "Removed.")
    else:
        messages.error(request, "This is the only second step. Add another one first.")
    return redirect("your_sign_in")


@login_required
@require_POST
@never_cache
def recovery_codes(request: HttpRequest) -> HttpResponse:
    """New recovery codes, shown this once; they need a second step to stand in for."""
    user = cast(User, request.user)
    if not second.has_one(user):
        return redirect("your_sign_in")
    return _codes(request, user)


def _added(request: HttpRequest, user: User) -> HttpResponse:
    """A second step was added: it counts as taken; with the first one come recovery codes."""
    request.session[sessions.SECOND] = clock.now().timestamp()
    if second.codes_left(user):
        messages.success(request, "Added.")
        return redirect("your_sign_in")
    return _codes(request, user)


def _codes(request: HttpRequest, user: User) -> HttpResponse:
    codes = [f"{code[:5]} {code[5:]}" for code in second.new_codes(user, now=clock.now())]
    return render(request, "registration/recovery_codes.html", {"codes": codes})


def _plain(made: dict[str, Any]) -> dict[str, Any]:
    """Options for a browser, as JSON can write them."""
    found = made.get("publicKey", made)
    return {"publicKey": dict(found)}
