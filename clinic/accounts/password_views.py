"""Pages for a lost password, and for the address that letters about an account go to."""

from typing import Any, cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters

from clinic.accounts import letters, passwords
from clinic.accounts.forms import NewPasswordForm
from clinic.accounts.models import User
from resupply import clock
from resupply.web.methods import GET_OR_POST, posted


class LostForm(forms.Form):
    """Whose password was lost."""

    name = forms.CharField(
        max_length=254,
        label="User name or e-mail address",
        widget=forms.TextInput(attrs={"autocomplete": "username", "autofocus": True}),
    )


class AddressForm(forms.Form):
    """An e-mail address."""

    email = forms.EmailField(label="E-mail address", widget=forms.EmailInput(attrs={"autocomplete": "email"}))


class ReplaceForm(NewPasswordForm):
    """A new password for the account of a link."""

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user

    def owner(self) -> User:
        """Whoever the link is of."""
        return self.user


@GET_OR_POST
@never_cache
def lost_password(request: HttpRequest) -> HttpResponse:
    """Ask for a link by mail. The answer is the same whoever was named."""
    form = LostForm(posted(request))
    page = "registration/lost_password.html"
    if not form.is_valid():
        return render(request, page, {"form": form}, status=422 if form.errors else 200)
    where = request.META.get("REMOTE_ADDR", "")
    if not passwords.ask(form.cleaned_data["name"], address=where, now=clock.now()):
        return render(request, page, {"form": form, "too_many": True}, status=429)
    return render(request, page, {"minutes": int(letters.LINK_LASTS.total_seconds() // 60)})


@sensitive_post_parameters("password", "again")
@GET_OR_POST
@never_cache
def new_password(request: HttpRequest, token: str) -> HttpResponse:
    """Choose a new password by a mailed link. Unknown, used and old links look the same."""
    page = "registration/new_password.html"
    found = letters.link_of(token, now=clock.now())
    if found is None or found.user is None:
        return render(request, page, {"form": None}, status=404)
    form = ReplaceForm(posted(request), user=found.user)
    if form.is_valid():
        if passwords.replace(found, form.cleaned_data["password"], now=clock.now()):
            messages.success(request, "Your password is changed. Sign in with the new one.")
            return redirect("login")
        return render(request, page, {"form": None}, status=404)
    return render(request, page, {"form": form}, status=422 if form.errors else 200)


@login_required
@GET_OR_POST
@never_cache
def own_address(request: HttpRequest) -> HttpResponse:
    """Where letters about one's own account go."""
    user = cast(User, request.user)
    form = AddressForm(posted(request), initial={"email": user.email})
    if form.is_valid():
        before, email = user.email, form.cleaned_data["email"]
        passwords.set_address(user, email, now=clock.now())
        told = "The one you had before is told, too." if before and before != email else "A message says so."
        messages.success(request, f"Your e-mail address is {email} now. {told}")
        return redirect("your_sign_in")
    status = 422 if form.errors else 200
    return render(request, "registration/own_address.html", {"form": form}, status=status)
