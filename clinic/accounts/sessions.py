"""How long somebody stays signed in, and where: each sign-in is a row, and its session can be ended.

A session says when it began, when it was last used, and when its owner last proved who they are. These lie in
the session itself, which is read with every request anyway: looking at the limits costs no query.
"""

import logging
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth.models import AbstractBaseUser
from django.contrib.sessions.backends.base import SessionBase
from django.contrib.sessions.models import Session
from django.db import transaction
from django.http import HttpRequest

from clinic.accounts.models import SignIn, User
from resupply import clock

log = logging.getLogger(__name__)

BEGAN, SEEN, PROVEN, SECOND = "began", "seen", "proven", "second"
"""Keys of a session: seconds since 1970; SECOND is there once the second step was taken."""
NOTED_EVERY = timedelta(minutes=1)
PROOF_LASTS = timedelta(minutes=10)
"""How long a proof of who one is (password, code, passkey) is good for sensitive acts."""


def begin(sender: object, request: HttpRequest, user: AbstractBaseUser, **kwargs: Any) -> None:
    """Note a sign-in (receiver of `user_logged_in`)."""
    now = clock.now()
    session = request.session
    if not session.session_key:
        session.create()
    for key in (BEGAN, SEEN, PROVEN):
        session[key] = now.timestamp()
    SignIn.objects.create(
        user_id=user.pk,
        session_key=session.session_key or "",
        device=request.META.get("HTTP_USER_AGENT", "")[:200],
        address=request.META.get("REMOTE_ADDR", "")[:45],
        began_at=now,
        seen_at=now,
    )
    log.info("signed in", extra={"user": user.pk})


def finish(sender: object, request: HttpRequest, user: AbstractBaseUser | None, **kwargs: Any) -> None:
    """Note a sign-out (receiver of `user_logged_out`)."""
    SignIn.objects.filter(session_key=request.session.session_key or "", ended_at=None).update(
        ended_at=clock.now()
    )


def is_over(session: SessionBase, *, now: datetime) -> bool:
    """Whether a session has been idle, or has lasted, too long."""
    idle = now.timestamp() - session.get(SEEN, now.timestamp())
    lasted = now.timestamp() - session.get(BEGAN, now.timestamp())
    return bool(idle >= settings.SESSION_IDLE_MINUTES * 60 or lasted >= settings.SESSION_COOKIE_AGE)


def keep(session: SessionBase, *, now: datetime) -> None:
    """Somebody is there: noted once a minute."""
    if abs(now.timestamp() - session.get(SEEN, 0)) < NOTED_EVERY.total_seconds():
        return
    session[SEEN] = now.timestamp()
    session.setdefault(BEGAN, now.timestamp())
    SignIn.objects.filter(session_key=session.session_key or "", ended_at=None).update(seen_at=now)


def is_proven(session: SessionBase, *, now: datetime) -> bool:
    """Whether who is here proved it within the last ten minutes."""
    return bool(now.timestamp() - session.get(PROVEN, 0) < PROOF_LASTS.total_seconds())


def prove(session: SessionBase, *, now: datetime) -> None:
    """Who is here has just proved it; the session goes on under a new key."""
    old = session.session_key or ""
    session[PROVEN] = now.timestamp()
    session.cycle_key()
    moved(session, old)


def here(user: User) -> list[SignIn]:
    """Where somebody is signed in: sign-ins that last and whose session is still there, the newest first."""
    rows = list(SignIn.objects.filter(user=user, ended_at=None).order_by("-seen_at")[:100])
    alive = set(
        Session.objects.filter(
            session_key__in=[row.session_key for row in rows], expire_date__gt=clock.now()
        ).values_list("session_key", flat=True)
    )
    since = clock.now() - timedelta(minutes=settings.SESSION_IDLE_MINUTES)
    return [row for row in rows if row.session_key in alive and row.seen_at > since - NOTED_EVERY]


@transaction.atomic
def end(user: User, *, now: datetime, but: str = "", only: str = "") -> int:
    """End sessions of somebody: all, all `but` the one with this key, or `only` the sign-in with this id.

    Returns how many. What a browser still holds then stands for nothing.
    """
    rows = SignIn.objects.filter(user=user, ended_at=None).exclude(session_key=but)
    if only:
        rows = rows.filter(public_id=only)
    Session.objects.filter(session_key__in=list(rows.values_list("session_key", flat=True))).delete()
    return rows.update(ended_at=now)


def moved(session: SessionBase, old_key: str) -> None:
    """The session goes on under a new key (Django changes it with the password)."""
    SignIn.objects.filter(session_key=old_key, ended_at=None).update(session_key=session.session_key or "")
