"""The account a member of staff signs in with, where it is signed in, how it came about, and what was done to
it.

What happened is kept like the rest of history: triggers refuse to take it back, changes of accounts and the
accounts' own history come under its seals. No table here points at one of the clinic's records, so that these
come first, in one migration: places of an invitation are kept by number.
"""

import uuid

import pghistory
import pgtrigger
from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from clinic.accounts.devices import device_words
from resupply.models import Role

_KEPT = pgtrigger.Protect(name="keep", operation=pgtrigger.Delete)


@pghistory.track(
    model_name="UserChange",
    obj_field=pghistory.ObjForeignKey(related_name="changes"),
    append_only=True,
    exclude=["password", "last_login"],
)
class User(AbstractUser):
    """A user name and a password. Roles belong to the clinic's staff records, never to this row.

    Its changes are kept like those of every record, but for the hash of the password.
    """

    is_demo = models.BooleanField(
        default=False, help_text="Signs in to a demonstration on its own machine only."
    )


class SignIn(models.Model):
    """One time that somebody signed in: the device as it called itself, the address, and how it ended.

    Ending one deletes its session, which is what the browser's cookie stands for; this row stays, and who it
    was, where and when cannot be changed.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="sign_ins")
    session_key = models.CharField(max_length=40, db_index=True)
    device = models.CharField(max_length=200, blank=True)
    address = models.CharField(max_length=45, blank=True)
    began_at = models.DateTimeField()
    seen_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["user", "ended_at"], name="sign_in_of_user")]
        triggers = [
            _KEPT,
            pgtrigger.ReadOnly(
                name="as_it_was", fields=["public_id", "user", "device", "address", "began_at"]
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user_id}, {self.began_at:%Y-%m-%d %H:%M}"

    @property
    def device_words(self) -> str:
        """What signed in: `a phone`, `a computer`."""
        return device_words(self.device)


class Invitation(models.Model):
    """A place on the staff, offered by mail. The link holds a token of which only the SHA-256 lies here.

    `location_ids`: numbers of locations (none: all of them), which are never deleted.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    token_hash = models.CharField(max_length=64, unique=True)
    name = models.CharField(max_length=150)
    email = models.EmailField()
    role = models.CharField(max_length=16, choices=Role)
    location_ids = ArrayField(models.BigIntegerField(), default=list, blank=True)
    invited_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    invited_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)
    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="invitation"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        triggers = [
            _KEPT,
            pgtrigger.ReadOnly(
                name="as_offered",
                fields=[
                    *("public_id", "token_hash", "name", "email", "role", "location_ids", "invited_by"),
                    *("invited_at", "expires_at"),
                ],
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Act(models.TextChoices):
    """What is done to accounts."""

    INVITED = "invited", "Invited"
    WITHDRAWN = "withdrawn", "Invitation withdrawn"
    JOINED = "joined", "Joined"
    CHANGED = "changed", "Role or locations changed"
    SHUT_OUT = "shut_out", "Shut out"
    LET_IN = "let_in", "Let in again"
    SESSIONS_ENDED = "sessions_ended", "Signed out everywhere"
    FACTOR_RESET = "factor_reset", "Second step reset"
    FACTOR_ADDED = "factor_added", "Second step added"
    FACTOR_REMOVED = "factor_removed", "Second step removed"
    CODES_MADE = "codes_made", "New recovery codes"
    PASSWORD_CHANGED = "password_changed", "Password changed"
    PASSWORD_MAILED = "password_mailed", "Link for a lost password mailed"
    PASSWORD_REPLACED = "password_replaced", "New password by a mailed link"
    ADDRESS_CHANGED = "address_changed", "E-mail address changed"


class LetterKind(models.TextChoices):
    """What we write to staff about, by mail."""

    LOST = "lost", "Link for a lost password"
    NOTICE = "notice", "Something was done to the account"


class AccountAct(models.Model):
    """One line of the accounts' own history: who did what to whose account. Appended alone, and sealed."""

    is_sealed = True

    acted_at = models.DateTimeField()
    acted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="acts")
    act = models.CharField(max_length=20, choices=Act)
    about = models.CharField(max_length=200, blank=True)

    class Meta:
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),
        ]

    def __str__(self) -> str:
        return f"{self.get_act_display()}, {self.acted_at:%Y-%m-%d %H:%M}"


class Letter(models.Model):
    """A mail to a member of staff about the own account: written with its cause, sent by a worker.

    `kind` lost: somebody asked for a new password. Without a `user` nobody has the name that was typed (which
    is kept nowhere), and nothing is sent: the row is there so that asking does the same work. The worker
    makes the link's token as the mail goes out; `token_hash` is its SHA-256. `address` is where the asker
    was.
    """

    kind = models.CharField(max_length=8, choices=LetterKind)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="letters")
    to = models.EmailField(blank=True)
    act = models.CharField(max_length=20, choices=Act, blank=True)
    about = models.CharField(max_length=200, blank=True)
    address = models.CharField(max_length=45, blank=True)
    written_at = models.DateTimeField()
    due_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True, blank=True)
    token_hash = models.CharField(max_length=64, null=True, unique=True)
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["due_at"], condition=Q(sent_at=None, user__isnull=False), name="letter_due")
        ]
        triggers = [
            _KEPT,
            pgtrigger.ReadOnly(
                name="as_written",
                fields=["kind", "user", "to", "act", "about", "address", "written_at", "expires_at"],
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.written_at:%Y-%m-%d %H:%M}"
