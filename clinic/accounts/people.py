"""Who works here: invitations, roles, leavers, lost second steps. Writes; pages: `people_views.py`."""

import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Q, QuerySet
from django.template.loader import render_to_string
from django.urls import reverse

from clinic.accounts import letters, second, sessions
from clinic.accounts.models import Act, Invitation, User
from clinic.accounts.second import note
from resupply.models import Location, Role, Staff

LASTS = timedelta(hours=72)


class LastAdministratorError(Exception):
    """Nobody would be left who may invite people."""


@transaction.atomic
def invite(
    name: str, email: str, role: str, locations: Iterable[Location], *, by: User, now: datetime
) -> tuple[Invitation, str]:
    """Offer a place on the staff. Returns the invitation, and its token, which nobody sees again.

    One to the same address that was not taken ends.
    """
    for earlier in waiting(now=now).filter(email__iexact=email).order_by("pk"):
        withdraw(earlier, by=by, now=now)
    token = secrets.token_urlsafe(32)
    made = Invitation.objects.create(
        token_hash=letters.hash_of(token),
        name=name,
        email=email,
        role=role,
        invited_by=by,
        invited_at=now,
        expires_at=now + LASTS,
        location_ids=sorted(location.pk for location in locations),
    )
    note(None, Act.INVITED, by=by, now=now, about=f"{name}, {Role(role).label}")
    return made, token


def waiting(*, now: datetime) -> "QuerySet[Invitation]":
    """Invitations that can still be taken, the newest first."""
    return Invitation.objects.filter(accepted_at=None, withdrawn_at=None, expires_at__gt=now).order_by(
        "-invited_at"
    )


@transaction.atomic
def withdraw(invitation: Invitation, *, by: User, now: datetime) -> bool:
    """An invitation opens nothing any more. False: it was taken, or withdrawn, meanwhile."""
    held = _held(invitation, now=now)
    if held is None:
        return False
    held.withdrawn_at = now
    held.save(update_fields=["withdrawn_at"])
    note(None, Act.WITHDRAWN, by=by, now=now, about=held.name)
    return True


def of_token(token: str, *, now: datetime) -> Invitation | None:
    """The invitation that a link opens: not used, not withdrawn, not older than 72 hours."""
    return waiting(now=now).filter(token_hash=letters.hash_of(token)).first()


def mail(invitation: Invitation, token: str) -> None:
    """Send the link. Raises what the mail server raises."""
    context = {
        "invitation": invitation,
        "address": settings.PUBLIC_URL + reverse("join", args=[token]),
        "clinic_name": settings.CLINIC_NAME,
    }
    subject = render_to_string("mail/invitation.subject.txt", context).strip()
    EmailMessage(subject, render_to_string("mail/invitation.txt", context), to=[invitation.email]).send()


@transaction.atomic
def join(invitation: Invitation, username: str, password: str, *, now: datetime) -> User | None:
    """Make the account that was offered; None: somebody else took the link meanwhile."""
    held = _held(invitation, now=now)
    if held is None:
        return None
    first, _, last = held.name.partition(" ")
    user = User.objects.create_user(
        username, held.email, password, first_name=first[:150], last_name=last[:150]
    )
    places = list(Location.objects.filter(pk__in=held.location_ids))
    if len(places) != len(held.location_ids):  # none would mean all of them
        raise Location.DoesNotExist
    Staff.objects.create(user=user, role=held.role).locations.set(places)
    held.accepted_at, held.user = now, user
    held.save(update_fields=["accepted_at", "user"])
    note(user, Act.JOINED, by=user, now=now)
    return user


@transaction.atomic
def change(staff: Staff, role: str, locations: Iterable[Location], *, by: User, now: datetime) -> None:
    """Another role or other locations. Raises LastAdministratorError."""
    _hold(staff, leaves=role != Role.ADMINISTRATOR)
    staff.role = role
    staff.save(update_fields=["role"])
    staff.locations.set(locations)
    places = ", ".join(staff.locations.values_list("name", flat=True)) or "all locations"
    note(_user(staff), Act.CHANGED, by=by, now=now, about=f"{Role(role).label}, {places}")


@transaction.atomic
def shut_out(staff: Staff, *, by: User, now: datetime) -> None:
    """Somebody left: the account opens nothing from this moment, and what is open ends. Raises
    LastAdministratorError.
    """
    _hold(staff, leaves=True)
    user = _user(staff)
    user.is_active = False
    user.save(update_fields=["is_active"])
    letters.end_links(user)
    sessions.end(user, now=now)
    note(user, Act.SHUT_OUT, by=by, now=now)


@transaction.atomic
def let_in(staff: Staff, *, by: User, now: datetime) -> None:
    """Somebody came back: the account works again, with the password and second step it had."""
    user = _user(staff)
    user.is_active = True
    user.save(update_fields=["is_active"])
    note(user, Act.LET_IN, by=by, now=now)


@transaction.atomic
def end_sessions(staff: Staff, *, by: User, now: datetime) -> int:
    """Sign somebody out everywhere; returns of how many places."""
    count = sessions.end(_user(staff), now=now)
    note(_user(staff), Act.SESSIONS_ENDED, by=by, now=now)
    return count


def reset_second_step(staff: Staff, *, by: User, now: datetime) -> None:
    """Phone and key are lost, and no recovery code is left: the next sign-in sets up a new second step."""
    second.reset(_user(staff), by=by, now=now)


def _held(invitation: Invitation, *, now: datetime) -> Invitation | None:
    """An invitation, held, if it can still be taken: whoever comes second finds it gone."""
    return waiting(now=now).select_for_update().filter(pk=invitation.pk).first()


def _hold(staff: Staff, *, leaves: bool) -> None:
    """Hold somebody and all administrators, so that two cannot remove each other; what is on record counts,
    not what was read before. Where an administrator `leaves`, another one must be left.
    """
    able = Q(role=Role.ADMINISTRATOR, user__is_active=True)
    rows = Staff.objects.filter(able | Q(pk=staff.pk)).select_related("user").order_by("pk")
    # Accounts too: who is shut out changes there, and an unheld one would be seen as it was before the wait.
    held = list(rows.select_for_update(of=("self", "user")))
    left = [row.pk for row in held if row.role == Role.ADMINISTRATOR and row.user.is_active]
    if leaves and left == [staff.pk]:
        raise LastAdministratorError


def _user(staff: Staff) -> User:
    user = staff.user
    assert isinstance(user, User)  # noqa: S101 - for mypy
    return user
