"""Passwords and addresses of accounts: lost ones, new ones, and what ends with a change. Pages:
`password_views.py`.

Who asks for a new password is answered the same, after the same work, whether anybody has that name: one
look-up, one row (`letters.py`). Limits hang on what was typed and where, never on what was found.
"""

import hashlib
from datetime import datetime

from axes.utils import reset as forget_wrong_passwords
from django.conf import settings
from django.db import transaction
from django.db.models import Q

from clinic.accounts import letters, sessions
from clinic.accounts.models import Act, Letter, User
from clinic.accounts.second import note
from resupply.web.access.guessing import Tally

FROM_ONE_PLACE = Tally("lost-from", most=10, seconds=3600)
"""Askings from one address."""
FOR_ONE_NAME = Tally("lost-for", most=3, seconds=3600)
"""Askings for one name, as it was typed."""
_ACCOUNTS = 5
"""So many accounts with one e-mail address are written to."""


def ask(typed: str, *, address: str, now: datetime) -> bool:
    """Somebody at `address` lost the password of what was typed: a user name or an e-mail address.

    False: too many were asked for from there. Too many for one name are not written down, and not told.
    """
    if FROM_ONE_PLACE.add(address) > FROM_ONE_PLACE.most:
        return False
    name = hashlib.sha256(typed.strip().casefold().encode()).hexdigest()
    if FOR_ONE_NAME.add(name) <= FOR_ONE_NAME.most:
        found: list[User | None] = [*_named(typed.strip())]
        for user in found or [None]:
            letters.ask_link(user, address=address, now=now)
    return True


def _named(typed: str) -> list[User]:
    """Accounts that a link may be mailed to: to their own addresses, never to what was typed."""
    found = User.objects.filter(Q(username__iexact=typed) | Q(email__iexact=typed), is_active=True)
    if not settings.DEMO:
        found = found.exclude(is_demo=True)
    return list(found.exclude(email="").order_by("pk")[:_ACCOUNTS])


@transaction.atomic
def replace(letter: Letter, password: str, *, now: datetime) -> bool:
    """The new password of whoever had the link, once. What was signed in ends; the second step stays.

    False: somebody else used the link meanwhile.
    """
    held = Letter.objects.select_for_update().filter(pk=letter.pk, token_hash=letter.token_hash).first()
    if held is None or held.used_at is not None or held.user_id is None:
        return False
    held.used_at = now
    held.save(update_fields=["used_at"])
    user = User.objects.select_for_update().get(pk=held.user_id)
    user.set_password(password)
    user.save(update_fields=["password"])
    letters.end_links(user)
    sessions.end(user, now=now)
    forget_wrong_passwords(username=user.username)
    note(user, Act.PASSWORD_REPLACED, by=None, now=now)
    return True


@transaction.atomic
def changed(user: User, *, this_session: str, now: datetime) -> None:
    """The owner chose another password: what is signed in elsewhere ends, and so do links."""
    letters.end_links(user)
    sessions.end(user, now=now, but=this_session)
    note(user, Act.PASSWORD_CHANGED, by=user, now=now)


@transaction.atomic
def set_address(user: User, email: str, *, now: datetime) -> None:
    """Where letters about the account go from now on; both addresses are told."""
    before, user.email = user.email, email
    user.save(update_fields=["email"])
    letters.end_links(user)
    note(user, Act.ADDRESS_CHANGED, by=user, now=now)
    if before and before != email:
        letters.tell(user, Act.ADDRESS_CHANGED, "", now=now, to=before)
