"""Mail to staff about their own account: a link for a lost password, word of what was done to a sign-in.

A letter is a row written in the transaction of its cause, so no page waits for the mail server, and none
tells by its time whether there was anything to send. A worker sends what is due (`tasks.py`): a letter is
claimed in a short transaction, sent without one, and tried again with growing pauses until it ends. A worker
that died between the two leaves a copy to be sent again; a link's copy has a token of its own, and only the
newest opens.

No letter but that of a link holds a secret, and each says what to do if it was not its reader.
"""

import hashlib
import logging
import secrets
from datetime import datetime, timedelta

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import F, QuerySet
from django.template.loader import render_to_string
from django.urls import reverse

from clinic.accounts.models import AccountAct, Act, Letter, LetterKind, User

log = logging.getLogger(__name__)

LINK_LASTS = timedelta(minutes=30)
NOTICE_LASTS = timedelta(days=2)
_PAUSES = (1, 2, 5, 10, 30, 60)
"""Minutes until the next try, which nobody makes before; the last one stands for all after it."""
_AT_ONCE = 100
"""Letters sent at one ring at most."""
MOST_LINKS = 5
"""Links mailed about one account within an hour, whoever asks: nobody's mailbox is filled from our page."""

TOLD = frozenset(
    {
        *(Act.FACTOR_ADDED, Act.FACTOR_REMOVED, Act.FACTOR_RESET, Act.CODES_MADE),
        *(Act.PASSWORD_CHANGED, Act.PASSWORD_REPLACED, Act.ADDRESS_CHANGED),
    }
)
"""What is done to a sign-in that its owner is told of (OWASP ASVS 5.0, 6.3.7)."""


def tell(user: User, act: Act, about: str, *, now: datetime, to: str = "") -> None:
    """Tell the owner of an account what was done to it: at its address, or at `to` (the one it had before).

    Who has no address is told nothing.
    """
    where = to or user.email
    if where and act in TOLD:
        _write(LetterKind.NOTICE, user, where, now=now, lasts=NOTICE_LASTS, act=act, about=about[:200])


def ask_link(user: User | None, *, address: str, now: datetime) -> Letter:
    """Somebody at `address` asked for a new password of an account; None: of one that is not there."""
    to = user.email if user else ""
    return _write(LetterKind.LOST, user, to, now=now, lasts=LINK_LASTS, address=address[:45])


def _write(
    kind: LetterKind, user: User | None, to: str, *, now: datetime, lasts: timedelta, **more: str
) -> Letter:
    return Letter.objects.create(
        kind=kind, user=user, to=to, written_at=now, due_at=now, expires_at=now + lasts, **more
    )


def deliver(*, now: datetime) -> int:
    """Send the letters that are due; returns how many went out."""
    sent = 0
    for _ in range(_AT_ONCE):
        claimed = _claim(now)
        if claimed is None:
            break
        letter, token = claimed
        if letter.kind == LetterKind.LOST and not token:
            continue
        try:
            _mail(letter, token)
        except OSError as error:  # the mail server's refusals are such too
            log.warning("a letter about an account was not sent: %s", type(error).__name__)
            continue
        Letter.objects.filter(pk=letter.pk).update(sent_at=now)
        sent += 1
    return sent


@transaction.atomic
def _claim(now: datetime) -> tuple[Letter, str] | None:
    """A letter that is due, with the token of its link; it is not due again before a pause is over.

    A link without a token is one too many: it is never due again.
    """
    rows = Letter.objects.select_for_update(skip_locked=True, of=("self",)).select_related("user")
    due = rows.filter(user__isnull=False, sent_at=None, due_at__lte=now, expires_at__gt=now)
    letter = due.order_by("due_at", "pk").first()
    if letter is None:
        return None
    letter.due_at = now + timedelta(minutes=_PAUSES[min(letter.tries, len(_PAUSES) - 1)])
    letter.tries += 1
    token = ""
    if letter.kind == LetterKind.LOST and _has_had_enough(letter, now):
        letter.due_at = letter.expires_at
    elif letter.kind == LetterKind.LOST:
        token = secrets.token_urlsafe(32)
        letter.token_hash = hash_of(token)
        _note_link(letter, now)
    letter.save(update_fields=["due_at", "tries", "token_hash"])
    return letter, token


def _has_had_enough(letter: Letter, now: datetime) -> bool:
    """Whether as many links were mailed about an account within an hour as are."""
    sent = Letter.objects.filter(user=letter.user, kind=LetterKind.LOST, sent_at__gt=now - timedelta(hours=1))
    return sent.count() >= MOST_LINKS


def _note_link(letter: Letter, now: datetime) -> None:
    """One link at a time opens an account; that one was mailed is part of its history."""
    _open_links(letter.user).exclude(pk=letter.pk).update(token_hash=None)
    if letter.tries == 1:
        AccountAct.objects.create(user=letter.user, act=Act.PASSWORD_MAILED, acted_at=now)


def link_of(token: str, *, now: datetime) -> Letter | None:
    """The letter whose link this is: not used, not ended by another, not older than half an hour."""
    found = Letter.objects.filter(token_hash=hash_of(token), used_at=None, expires_at__gt=now)
    return found.filter(user__is_active=True).select_related("user").first()


def end_links(user: User) -> None:
    """What was asked for before now opens nothing, and is not sent if it was not yet."""
    _open_links(user).update(token_hash=None, due_at=F("expires_at"))


def _open_links(user: User | None) -> "QuerySet[Letter]":
    return Letter.objects.filter(user=user, kind=LetterKind.LOST, used_at=None)


def _mail(letter: Letter, token: str) -> None:
    context = {
        "letter": letter,
        "user": letter.user,
        "clinic_name": settings.CLINIC_NAME,
        "address": settings.PUBLIC_URL + reverse("new_password", args=[token]) if token else "",
        "mine": settings.PUBLIC_URL + reverse("your_sign_in"),
        "minutes": int(LINK_LASTS.total_seconds() // 60),
    }
    name = "lost_password" if letter.kind == LetterKind.LOST else "account"
    subject = render_to_string(f"mail/{name}.subject.txt", context).strip()
    EmailMessage(subject, render_to_string(f"mail/{name}.txt", context), to=[letter.to]).send()


def hash_of(token: str) -> str:
    """SHA-256 (hex) of a link's token: what lies in the database."""
    return hashlib.sha256(token.encode()).hexdigest()
