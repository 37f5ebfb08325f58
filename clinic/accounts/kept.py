"""A form that was sent too late is not lost: it waits, encrypted, until the same person has signed in again.

It waits in the session of that browser, for ten minutes, and is shown before it is sent: nothing is done that
nobody looked at. Files and passwords are not kept.
"""

import json
from dataclasses import dataclass
from datetime import datetime

from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest

from resupply.models.encrypted import decrypt, encrypt

KEY = "kept"
LASTS_S = 600
MOST = 200_000  # characters
_NEVER = ("password", "csrfmiddlewaretoken")


@dataclass(frozen=True, slots=True)
class Kept:
    """What was sent, where to, and by whom."""

    user_id: int
    path: str
    fields: tuple[tuple[str, str], ...]
    at: float


def take(request: HttpRequest) -> Kept | None:
    """What a request sends, if it can be kept."""
    fields = tuple(
        (name, value)
        for name, values in request.POST.lists()
        if not any(word in name for word in _NEVER)
        for value in values
    )
    size = sum(len(name) + len(value) for name, value in fields)
    if request.method != "POST" or request.FILES or request.headers.get("HX-Request") or size > MOST:
        return None
    return Kept(int(request.user.pk or 0), request.get_full_path(), fields, 0)


def store(session: SessionBase, kept: Kept, *, now: datetime) -> None:
    """Let it wait in a session."""
    session[KEY] = encrypt(json.dumps([kept.user_id, kept.path, kept.fields, now.timestamp()]))


def find(session: SessionBase, user_id: int, *, now: datetime) -> Kept | None:
    """What waits for this person; what is another's or too old is dropped."""
    if KEY not in session:
        return None
    whose, path, fields, at = json.loads(decrypt(session[KEY]))
    if whose != user_id or not 0 <= now.timestamp() - at < LASTS_S:
        del session[KEY]
        return None
    return Kept(whose, path, tuple((name, value) for name, value in fields), at)
