"""The account a member of staff signs in with, where it is signed in, and how it came about."""

import uuid

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models

from resupply.models import Location, Role


class User(AbstractUser):
    """A user name and a password. Roles belong to the clinic's staff records, never to this row."""

    is_demo = models.BooleanField(
        default=False, help_text="Signs in to a demonstration on its own machine only."
    )


class SignIn(models.Model):
    """One time that somebody signed in: the device as it called itself, the address, and how it ended.

    Ending one deletes its session, which is what the browser's cookie stands for; this row stays.
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

    def __str__(self) -> str:
        return f"{self.user_id}, {self.began_at:%Y-%m-%d %H:%M}"


class Invitation(models.Model):
    """A place on the staff, offered by mail. The link holds a token of which only the SHA-256 lies here."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    token_hash = models.CharField(max_length=64, unique=True)
    name = models.CharField(max_length=150)
    email = models.EmailField()
    role = models.CharField(max_length=16, choices=Role)
    locations = models.ManyToManyField(Location, blank=True, related_name="+")
    invited_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    invited_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)
    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="invitation"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)

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


class AccountAct(models.Model):
    """One line of the accounts' own history: who did what to whose account. Appended, never changed."""

    acted_at = models.DateTimeField()
    acted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="acts")
    act = models.CharField(max_length=20, choices=Act)
    about = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return f"{self.get_act_display()}, {self.acted_at:%Y-%m-%d %H:%M}"
