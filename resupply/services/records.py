"""What every ledger write shares: who recorded it and when, and how a record is taken back."""

from datetime import date, datetime, timedelta
from typing import TypedDict, TypeVar
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, models

from resupply.delivery.words import day_words
from resupply.models import Dispense, Location, Patient, RefillAnswer, Voidable
from resupply.rules.zones import zone_named
from resupply.services.errors import Refused

OfForm = TypeVar("OfForm", Dispense, RefillAnswer)

LONGEST_REASON = 300
FARTHEST_AHEAD = timedelta(days=366)
"""How far ahead staff may date what is to come (ours): a day beyond is a slip in the year."""
FIRST_BEGIN, LAST_BEGIN = date(2000, 1, 1), date(2099, 12, 31)
"""A rule of the clinic or a payer begins within these days (ours): others are slips in the year."""
LONGEST_KEPT = 50
"""Years from today to the latest expiry: two digits of a year in a bar code reach no further (GS1 General
Specifications, determination of the century)."""


class Stamp(TypedDict):
    """Fields of `Voidable` that say who recorded a row, and when."""

    recorded_at: datetime
    recorded_by_id: int | None


def stamp(by: AbstractBaseUser | None, now: datetime) -> Stamp:
    """The stamp of a row recorded now by a person (None: by the program)."""
    return {"recorded_at": now, "recorded_by_id": by.pk if by is not None else None}


def take_back(record: Voidable, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Void a record with a reason; the caller holds the lock of its patient.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    reason = check_reason(reason)
    record.refresh_from_db(fields=["voided_at"])
    if record.is_voided:
        raise Refused("already_void", "This record has been voided already.")
    record.voided_at, record.void_reason = now, reason
    record.voided_by_id = by.pk if by is not None else None
    record.save(update_fields=["voided_at", "voided_by", "void_reason"])


def check_reason(reason: str, *, after: str = "") -> str:
    """The reason without blanks around it, `after` a few words. Raises Refused `reason_missing`,
    `reason_long`.
    """
    reason, most = reason.strip(), LONGEST_REASON - len(after)
    if not reason:
        raise Refused("reason_missing", "Say why: the reason stays on record.", "reason")
    if len(reason) > most:
        raise Refused("reason_long", f"Keep the reason to {most} characters.", "reason")
    return after + reason


def kept_whole(text: str, most: int, field: str) -> str:
    """What was typed, without blanks around it. Raises Refused `too_long`: nothing is cut unseen."""
    text = text.strip()
    if len(text) > most:
        raise Refused("too_long", f"Keep this to {most} characters.", field)
    return text


def check_day(patient: Patient, day: date, *, today: date, field: str = "on", ahead: bool = False) -> None:
    """Refuse a day before the patient's birth, and one after `today` unless `ahead`."""
    if day < patient.birth_date:
        raise Refused(
            "before_birth",
            f"{said(day)} lies before the patient's date of birth. Correct the date.",
            field,
        )
    if day > today and not ahead:
        raise Refused("future", f"{said(day)} has not come yet. Enter the day it happened.", field)


def check_ahead(day: date, *, today: date, what: str, field: str, row: int | None = None) -> None:
    """Refuse `too_far`: a day more than a year after `today`."""
    if day > today + FARTHEST_AHEAD:
        raise Refused("too_far", f"Enter {what} within a year.", field, row=row)


def check_begin(day: date) -> None:
    """Refuse `effective_from`: a rule that begins in a year nobody means."""
    if not FIRST_BEGIN <= day <= LAST_BEGIN:
        said_so = f"Enter a day from {FIRST_BEGIN.year} to {LAST_BEGIN.year}."
        raise Refused("effective_from", said_so, "effective_from")


def check_expiry(expires_on: date | None, on: date, row: int) -> None:
    """Refuse `expiry_far`: an expiry that no pack names, which would never stop anything."""
    if expires_on and expires_on.year > on.year + LONGEST_KEPT:
        said_so = f"No part keeps until {expires_on.year}. Check the year."
        raise Refused("expiry_far", said_so, "expires_on", row=row)


def sent_before(model: type[OfForm], form_key: UUID | None, patient: Patient) -> OfForm | None:
    """What a form with this key has recorded of the patient already; the caller holds the patient's lock.

    Raises Refused `form_used` where it recorded something of somebody else.
    """
    earlier = model._default_manager.filter(form_key=form_key).first() if form_key else None
    if earlier is not None and earlier.patient_id != patient.pk:
        raise Refused("form_used", "This form was sent for another patient. Open a new one.")
    return earlier


def local_day(now: datetime, zone: str) -> date:
    """The calendar date of a moment in a zone, by its name; one that nobody knows counts as UTC."""
    return now.astimezone(zone_named(zone)).date()


def clinic_zone() -> str:
    """The zone of the clinic as a whole: that of its first location by name."""
    return Location.objects.order_by("name").values_list("time_zone", flat=True).first() or "UTC"


def said(day: date) -> str:
    """A day in a message to a person: `Sat 28 Mar 2026`."""
    return day_words(day, today=None)


def gather_statistics(*tables: type[models.Model]) -> None:
    """Tell the database how full tables are now, after a write that filled them.

    It would find out by itself within a minute; until then its plans, also those of the checks of foreign
    keys, are made for tables as they were: 20 times slower where they were empty.
    """
    names = ", ".join(connection.ops.quote_name(model._meta.db_table) for model in tables)
    with connection.cursor() as cursor:
        cursor.execute(f"ANALYZE {names}")
