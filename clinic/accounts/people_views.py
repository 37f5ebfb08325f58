"""Pages for administrators about who works here, and the page that an invitation's link opens."""

import logging
from collections.abc import Callable
from typing import Any, cast
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from clinic.accounts import people, second
from clinic.accounts.forms import NewPasswordForm
from clinic.accounts.models import AccountAct, Invitation, User
from resupply import clock
from resupply.models import Location, Role, Staff
from resupply.web.access import StaffRequest, may
from resupply.web.methods import GET_OR_POST, posted

log = logging.getLogger(__name__)
NOT_TAKEN = (
    "The mail server did not take the invitation. Nobody was invited. A test message under Manage, Mail says "
    "at which step mail stops."
)
NO_OTHER = "Nothing was changed: this is the only administrator. Make somebody else one first."
ACTS: dict[str, tuple[Callable[..., object], str]] = {
    "shut-out": (people.shut_out, "{} is shut out. The account opens nothing from now on."),
    "let-in": (people.let_in, "{} is let in again, with the password and second step of before."),
    "end": (people.end_sessions, "{} is signed out everywhere."),
    "reset": (
        people.reset_second_step,
        "The second step of {} is reset. The next sign-in asks for a new one.",
    ),
}
"""What can be done to somebody's account, and what is said then."""


class PlaceForm(forms.Form):
    """A role, and where."""

    role = forms.ChoiceField(choices=Role.choices)
    locations = forms.ModelMultipleChoiceField(
        Location.objects.filter(closed_on=None).order_by("name"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="None ticked: all of them.",
    )

    def offer_too(self, held: QuerySet[Location]) -> None:
        """Offer what somebody has, closed or not: without an only location they would have all of them."""
        offered = Location.objects.filter(Q(closed_on=None) | Q(pk__in=held.values("pk")))
        cast(
            "forms.ModelMultipleChoiceField[Location]", self.fields["locations"]
        ).queryset = offered.order_by("name")


class InviteForm(PlaceForm):
    """Whom, and as what."""

    name = forms.CharField(max_length=150)
    email = forms.EmailField(label="E-mail address")
    field_order = ("name", "email", "role", "locations")


class JoinForm(NewPasswordForm):
    """A user name and a password."""

    username = forms.CharField(label="User name", max_length=150, validators=[User.username_validator])
    field_order = ("username", "password", "again")

    def __init__(self, *args: Any, invitation: Invitation, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.invitation = invitation

    def clean_username(self) -> str:
        """Nobody else's, in the spelling in which it will be kept (NFKC: letters that look alike are one)."""
        name: str = User.normalize_username(self.cleaned_data["username"])
        if User.objects.filter(username__iexact=name).exists():
            raise ValidationError("Somebody has this user name. Choose another one.")
        return name

    def owner(self) -> User:
        """Whoever was invited."""
        first, _, last = self.invitation.name.partition(" ")
        username = self.cleaned_data.get("username", "")
        return User(username=username, email=self.invitation.email, first_name=first, last_name=last)


@may("people.change")
@require_GET
def people_list(request: StaffRequest) -> HttpResponse:
    """Who works here, who is invited, and what was done to accounts."""
    return _page(request, InviteForm(), 200)


@may("people.change")
@require_POST
def people_invite(request: StaffRequest) -> HttpResponse:
    """Invite somebody by mail."""
    form = InviteForm(request.POST)
    if not form.is_valid():
        return _page(request, form, 422)
    by, now = _by(request), clock.now()
    made, token = people.invite(**form.cleaned_data, by=by, now=now)
    try:
        people.mail(made, token)
    except OSError as error:
        log.warning("an invitation was not sent: %s", type(error).__name__)
        people.withdraw(made, by=by, now=now)
        form.add_error(None, NOT_TAKEN)
        return _page(request, form, 422)
    messages.success(request, f"Invited: {made.name}. The link works once, for 72 hours.")
    return redirect("people")


@may("people.change")
@require_POST
def people_withdraw(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take an invitation back."""
    found = get_object_or_404(people.waiting(now=clock.now()), public_id=public_id)
    if people.withdraw(found, by=_by(request), now=clock.now()):
        messages.success(request, f"The invitation of {found.name} is withdrawn. Its link opens nothing.")
    else:
        messages.error(request, f"Nothing was withdrawn: the invitation of {found.name} was just taken.")
    return redirect("people")


@may("people.change")
@GET_OR_POST
def people_change(request: StaffRequest, pk: int) -> HttpResponse:
    """Another role or other locations for somebody."""
    staff = get_object_or_404(Staff.objects.select_related("user"), pk=pk)
    now = {"role": staff.role, "locations": staff.locations.all()}
    form = PlaceForm(posted(request), initial=now)
    form.offer_too(staff.locations.all())
    if form.is_valid():
        try:
            people.change(staff, **form.cleaned_data, by=_by(request), now=clock.now())
        except people.LastAdministratorError:
            form.add_error("role", NO_OTHER)
        else:
            messages.success(request, f"Role and locations of {_name(staff)} are changed.")
            return redirect("people")
    context = {"form": form, "person": staff}
    return render(request, "registration/person.html", context, status=422 if form.errors else 200)


@may("people.change")
@require_POST
def people_act(request: StaffRequest, pk: int, act: str) -> HttpResponse:
    """Shut somebody out, let them in again, sign them out everywhere, or reset their second step."""
    staff = get_object_or_404(Staff.objects.select_related("user"), pk=pk)
    do, said = ACTS[act]
    try:
        do(staff, by=_by(request), now=clock.now())
    except people.LastAdministratorError:
        messages.error(request, NO_OTHER)
    else:
        messages.success(request, said.format(_name(staff)))
    return redirect("people")


@sensitive_post_parameters("password", "again")
@GET_OR_POST
@never_cache
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Take an invitation: user name and password. Unknown, used, withdrawn and old links look the same."""
    found = people.of_token(token, now=clock.now())
    if found is None:
        return render(request, "registration/join.html", {"form": None}, status=404)
    form = JoinForm(posted(request), invitation=found)
    if form.is_valid():
        typed = form.cleaned_data
        if people.join(found, typed["username"], typed["password"], now=clock.now()):
            messages.success(request, "Welcome, your sign-in is made. Use the name and password just chosen.")
            return redirect("login")
        return render(request, "registration/join.html", {"form": None}, status=404)
    context = {"form": form, "invitation": found}
    return render(request, "registration/join.html", context, status=422 if form.errors else 200)


def _page(request: StaffRequest, form: InviteForm, status: int) -> HttpResponse:
    staff = Staff.objects.select_related("user").prefetch_related("locations")
    context = {
        "staff": staff.order_by("-user__is_active", "user__username"),
        "with_step": set(second.users_with_one()),
        "waiting": people.waiting(now=clock.now()),
        "acts": AccountAct.objects.select_related("user", "acted_by").order_by("-pk")[:50],
        "form": form,
    }
    return render(request, "registration/people.html", context, status=status)


def _name(staff: Staff) -> str:
    return staff.user.get_full_name() or staff.user.get_username()


def _by(request: StaffRequest) -> User:
    return cast(User, request.user)
