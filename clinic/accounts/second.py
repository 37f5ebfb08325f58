"""The second step of signing in: a code from an authenticator app, a passkey, or a recovery code.

The arithmetic is django-allauth's (RFC 6238 codes, WebAuthn, recovery codes); pages and sessions are ours.
Secrets lie encrypted (`adapter.py`). A code is good once. Wrong ones count with wrong passwords (ten, then a
quarter of an hour), and of one account at most 30 an hour from anywhere: six digits cannot be tried through.
"""

import json
from datetime import datetime, timedelta
from typing import Any

from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import TOTP, validate_totp_code
from allauth.mfa.webauthn.internal import auth as webauthn
from axes.handlers.proxy import AxesProxyHandler
from django.conf import settings
from django.contrib.auth import login
from django.contrib.auth.signals import user_login_failed
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest
from fido2.webauthn import UserVerificationRequirement

from clinic.accounts import letters, sessions
from clinic.accounts.models import AccountAct, Act, User
from resupply import clock

WAITING = "waiting"
WAITS = timedelta(minutes=5)
MOST_WRONG = 30
_STEPS = (Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN)
_BACKEND = "clinic.accounts.backends.StaffBackend"


def of(user: User) -> list[Authenticator]:
    """The authenticator app and passkeys of somebody, the oldest first."""
    return list(Authenticator.objects.filter(user=user, type__in=_STEPS).order_by("created_at"))


def has_one(user: User) -> bool:
    """Whether somebody has a second step."""
    return bool(Authenticator.objects.filter(user=user, type__in=_STEPS).exists())


def has_passkey(user: User) -> bool:
    """Whether one of somebody's second steps is a passkey."""
    return any(one.type == Authenticator.Type.WEBAUTHN for one in of(user))


def users_with_one() -> list[int]:
    """Numbers of the accounts that have a second step."""
    return list(Authenticator.objects.filter(type__in=_STEPS).values_list("user_id", flat=True).distinct())


def is_missing(request: HttpRequest) -> bool:
    """Whether the person asking must set one up before anything else opens."""
    return bool(settings.SECOND_STEP) and sessions.SECOND not in request.session


def codes_left(user: User) -> int:
    """How many recovery codes were not used."""
    found = Authenticator.objects.filter(user=user, type=Authenticator.Type.RECOVERY_CODES).first()
    return len(RecoveryCodes(found).get_unused_codes()) if found else 0


def await_step(request: HttpRequest, user: User, there: str) -> None:
    """The password was right; the second step is awaited, for five minutes, in a session with a new key."""
    request.session.cycle_key()
    request.session[WAITING] = [user.pk, clock.now().timestamp(), there]


def waiting(request: HttpRequest, *, now: datetime) -> tuple[User, str] | None:
    """Whose second step is awaited, and where to go afterwards."""
    pk, since, there = request.session.get(WAITING, (0, 0.0, ""))
    if not 0 <= now.timestamp() - since < WAITS.total_seconds():
        return None
    user = User.objects.filter(pk=pk, is_active=True).first()
    return (user, there) if user else None


def is_shut(request: HttpRequest, user: User) -> bool:
    """Whether too many wrong codes were tried: at this address, or for this account from anywhere."""
    tried = int(cache.get(_wrong_key(user), 0))
    return tried >= MOST_WRONG or not AxesProxyHandler.is_allowed(request, {"username": user.username})


def is_right(request: HttpRequest, user: User, code: str) -> bool:
    """Whether a code is of the app or a recovery code, and was not used before. A wrong one is counted."""
    typed = "".join(code.split())
    for row in Authenticator.objects.filter(user=user).exclude(type=Authenticator.Type.WEBAUTHN):
        if row.wrap().validate_code(typed):
            row.refresh_from_db()
            row.record_usage()
            return True
    wrong(request, user)
    return False


def ask_passkey(user: User, *, proves: bool) -> dict[str, Any]:
    """The question that a passkey of somebody answers. One that stands for the password (`proves`) has to
    make sure of its owner itself: by finger, face or PIN.
    """
    if not proves:
        return dict(webauthn.begin_authentication(user))
    options, state = webauthn.get_server().authenticate_begin(
        credentials=webauthn.get_credentials(user), user_verification=UserVerificationRequirement.REQUIRED
    )
    webauthn.set_state(state)
    return dict(options)


def is_answered(request: HttpRequest, user: User, answer: str) -> bool:
    """Whether a passkey of somebody gave this answer (JSON) to the question asked. A wrong one is counted."""
    try:
        webauthn.complete_authentication(user, json.loads(answer)).record_usage()
    except (ValidationError, ValueError, TypeError, KeyError, AttributeError):
        wrong(request, user)
        return False
    return True


def wrong(request: HttpRequest, user: User) -> None:
    """Count a second step that failed."""
    cache.add(_wrong_key(user), 0, 3600)
    cache.incr(_wrong_key(user))
    user_login_failed.send(__name__, credentials={"username": user.username}, request=request)


def let_in(request: HttpRequest, user: User) -> None:
    """Both steps were taken."""
    request.session.pop(WAITING, None)
    login(request, user, backend=_BACKEND)
    request.session[sessions.SECOND] = clock.now().timestamp()


def fits(secret: str, code: str) -> bool:
    """Whether an app that was just given a secret shows this code."""
    return bool(validate_totp_code(secret, "".join(code.split())))


@transaction.atomic
def set_app(user: User, secret: str, *, now: datetime) -> None:
    """The authenticator app of somebody is this one; the one before no longer counts."""
    Authenticator.objects.filter(user=user, type=Authenticator.Type.TOTP).delete()
    TOTP.activate(user, secret)
    note(user, Act.FACTOR_ADDED, by=user, now=now, about="authenticator app")


@transaction.atomic
def add_passkey(user: User, name: str, made: dict[str, Any], *, now: datetime) -> None:
    """One more passkey."""
    row = webauthn.WebAuthn.add(user, name, made)
    note(user, Act.FACTOR_ADDED, by=user, now=now, about=f"passkey {row.name}")


@transaction.atomic
def new_codes(user: User, *, now: datetime) -> list[str]:
    """New recovery codes; the old ones open nothing any more. They are shown once."""
    Authenticator.objects.filter(user=user, type=Authenticator.Type.RECOVERY_CODES).delete()
    note(user, Act.CODES_MADE, by=user, now=now)
    return list(RecoveryCodes.activate(user).generate_codes())


@transaction.atomic
def remove(user: User, factor: Authenticator, *, now: datetime) -> bool:
    """One of several second steps goes. False: it is the only one, and stays."""
    steps = Authenticator.objects.filter(user=user, type__in=_STEPS)
    if {row.pk for row in steps.select_for_update().order_by("pk")} <= {factor.pk}:
        return False
    note(user, Act.FACTOR_REMOVED, by=user, now=now, about=str(factor))
    factor.delete()
    return True


@transaction.atomic
def reset(user: User, *, by: User, now: datetime) -> None:
    """All second steps of somebody go (lost telephone), and all sessions end: a new one is set up next."""
    Authenticator.objects.filter(user=user).delete()
    sessions.end(user, now=now)
    note(user, Act.FACTOR_RESET, by=by, now=now)


@transaction.atomic
def note(user: User | None, act: Act, *, by: User | None, now: datetime, about: str = "") -> None:
    """One line of the accounts' history; of what is done to a sign-in its owner is told by mail."""
    AccountAct.objects.create(user=user, act=act, acted_by=by, acted_at=now, about=about[:200])
    if user is not None:
        letters.tell(user, act, about, now=now)


def _wrong_key(user: User) -> str:
    return f"second:{user.pk}"
