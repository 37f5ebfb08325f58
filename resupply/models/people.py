"""Locations, staff and patients."""

import uuid
from collections.abc import Collection
from typing import Any, Self

import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from resupply.models.base import Voidable, tracked
from resupply.models.encrypted import EncryptedTextField
from resupply.models.imports import ImportBatch
from resupply.models.reads import notice
from resupply.rules.purposes import Purpose


@tracked
class Location(models.Model):
    """One place where the clinic sees patients; its zone dates what is dispensed there.

    Where `tracks_stock`, a dispense takes its parts from the stock ledger. `open_weekdays` are those on which
    parts are given or shipped: digits in order, 0 is Monday; `ClosedDay` names the days off among them. Since
    `closed_on` nobody new belongs here; null: it is open.
    """

    name = models.CharField(max_length=80, unique=True)
    time_zone = models.CharField(max_length=64, default="UTC")
    phone = models.CharField(max_length=40, blank=True)
    address = models.TextField(blank=True)
    tracks_stock = models.BooleanField(default=False)
    open_weekdays = models.CharField(max_length=7, default="01234", db_default="01234")
    closed_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(open_weekdays__regex=r"^(?=.)0?1?2?3?4?5?6?$"), name="location_open_some_weekday"
            )
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """What a member of staff may do; `web/access/roles.py` says what each role opens."""

    DESK = "desk", "Front desk"
    THERAPIST = "therapist", "Therapist"
    MANAGER = "manager", "Manager"
    ADMINISTRATOR = "administrator", "Administrator"


@tracked
class Staff(models.Model):
    """A member of staff: the sign-in, the role, and the locations worked at (none: all of them)."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, models.PROTECT, related_name="staff")
    role = models.CharField(max_length=16, choices=Role)
    locations = models.ManyToManyField(Location, blank=True, related_name="staff")

    class Meta:
        verbose_name_plural = "staff"

    def __str__(self) -> str:
        return f"{self.user} ({self.get_role_display()})"


class PatientStatus(models.TextChoices):
    """Whether the clinic keeps this patient in equipment."""

    ON_THERAPY = "on_therapy", "On therapy"
    ENDED = "ended", "Therapy ended"
    DIED = "died", "Died"
    MOVED = "moved", "Moved elsewhere"
    WITHDRAWN = "withdrawn", "Import undone"


class Language(models.TextChoices):
    """Languages a patient is written to in."""

    ENGLISH = "en", "English"
    SPANISH = "es", "Spanish"


@tracked
class Patient(models.Model):
    """A person on positive-airway-pressure therapy, known by the clinic's own reference."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    reference = models.CharField(max_length=40, unique=True)
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    birth_date = models.DateField()
    email = EncryptedTextField(blank=True)
    phone = EncryptedTextField(blank=True)
    address = EncryptedTextField(blank=True)
    representative_name = models.CharField(max_length=160, blank=True)
    representative_relation = models.CharField(max_length=80, blank=True)
    language = models.CharField(max_length=5, choices=Language, default=Language.ENGLISH)
    time_zone = models.CharField(max_length=64, default="UTC")
    location = models.ForeignKey(Location, models.PROTECT, related_name="patients")
    status = models.CharField(max_length=12, choices=PatientStatus, default=PatientStatus.ON_THERAPY)
    therapy_started_on = models.DateField(null=True, blank=True)
    cleaning_weekday = models.PositiveSmallIntegerField(default=6)
    cleaning_month_day = models.PositiveSmallIntegerField(default=1)
    cleaning_hour = models.PositiveSmallIntegerField(null=True, blank=True)
    """The hour at which the patient likes to clean; none chosen: null."""
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="patients")
    """The import that brought the patient."""

    class Meta:
        ordering = ["family_name", "given_name", "id"]
        triggers = [
            pgtrigger.Trigger(
                name="tokens_move_along",
                when=pgtrigger.After,
                operation=pgtrigger.Update,
                condition=pgtrigger.AnyChange("location"),
                func=(
                    "UPDATE resupply_findtoken SET location_id = NEW.location_id WHERE patient_id = NEW.id;"
                    " RETURN NULL;"
                ),
            )
        ]
        constraints = [
            models.CheckConstraint(condition=~Q(reference=""), name="patient_has_reference"),
            models.CheckConstraint(condition=Q(cleaning_weekday__lte=6), name="cleaning_weekday_0_to_6"),
            models.CheckConstraint(
                condition=Q(cleaning_month_day__gte=1, cleaning_month_day__lte=31),
                name="cleaning_month_day_1_to_31",
            ),
            models.CheckConstraint(
                condition=Q(cleaning_hour=None) | Q(cleaning_hour__lte=23), name="cleaning_hour_0_to_23"
            ),
        ]

    def __str__(self) -> str:
        return f"patient {self.public_id}"  # never the name: this string reaches logs

    @classmethod
    def from_db(  # type: ignore[override] # stubs know an argument of a later Django
        cls, db: str | None, field_names: Collection[str], values: Collection[Any]
    ) -> Self:
        """A row as it was read, which the read log notices."""
        patient = super().from_db(db, field_names, values)
        notice(patient.pk)
        return patient

    @property
    def name(self) -> str:
        """Given and family name, as shown to staff and to the patient."""
        return f"{self.given_name} {self.family_name}".strip()


class FindToken(models.Model):
    """A word a patient is found by: a folded name part, reference, birth date; the phone
    number and its ends as keyed hashes.

    `location` is the patient's, so that a search of one location reads no other's rows; it is given when the
    row is written, and a trigger on `Patient` keeps it when the patient moves.
    """

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="find_tokens")
    location = models.ForeignKey(
        Location, models.PROTECT, related_name="+", db_index=False, db_constraint=False
    )
    token = models.CharField(max_length=80, db_collation="C")
    """Ordered by its characters alone, so that a plain index finds beginnings."""

    class Meta:
        constraints = [models.UniqueConstraint(fields=["patient", "token"], name="find_token_once")]
        indexes = [
            models.Index(fields=["token", "patient"], include=["location"], name="find_token_order"),
            models.Index(fields=["location", "token", "patient"], name="find_token_by_place"),
        ]

    def __str__(self) -> str:
        return f"find token {self.pk}"


class Channel(models.TextChoices):
    """How a patient is reached."""

    MAIL = "mail", "E-mail"
    TEXT = "text", "Text message"
    PHONE = "phone", "Telephone"
    POST = "post", "Post"


@tracked
class Consent(Voidable):
    """A patient's yes or no to a channel, for one purpose or (`purpose` empty) for every purpose.

    The newest standing record that covers channel and purpose counts; none means no (`rules/consents.py`).
    `how` says how it was given, `on_paper` that it is signed.
    """

    patient = models.ForeignKey(Patient, models.PROTECT, related_name="consents")
    channel = models.CharField(max_length=8, choices=Channel)
    purpose = models.CharField(max_length=16, blank=True, default="", db_default="")
    granted = models.BooleanField()
    given_on = models.DateField()
    how = models.CharField(max_length=120)
    on_paper = models.BooleanField(default=False, db_default=False)
    batch = models.ForeignKey(ImportBatch, models.PROTECT, null=True, blank=True, related_name="consents")

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "channel", "-id"], name="consent_newest")]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                condition=Q(purpose__in=["", *(purpose.value for purpose in Purpose)]),
                name="consent_purpose_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"consent {self.pk}"
