"""Reads about private calendars."""

import hashlib
from dataclasses import dataclass
from datetime import datetime

from django.db import connection
from django.db.models import Q, QuerySet

from resupply.models import Patient, Subscription


@dataclass(frozen=True, slots=True)
class Stored:
    """What a calendar address answers, as last written. `is_fresh`: it still says what the plan says."""

    subscription_id: int
    is_revoked: bool
    is_fresh: bool
    body: bytes
    etag: str
    last_fetched_at: datetime | None


def token_hash(token: str) -> str:
    """What is stored of the token of an address, a device or a program: SHA-256, 64 hexadecimal digits."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


_STORED = """
    SELECT id, revoked_at, fresh_until, body, etag, last_fetched_at
    FROM resupply_subscription WHERE token_hash = %s"""
"""In SQL: calendar programs ask day and night, and to compose it took longer than all the rest."""


def stored(token: str, *, now: datetime) -> Stored | None:
    """The calendar behind a token, by one indexed query; None: no such address was ever given out."""
    with connection.cursor() as cursor:
        cursor.execute(_STORED, [token_hash(token)])
        row = cursor.fetchone()
    if row is None:
        return None
    pk, revoked_at, fresh_until, body, etag, last_fetched_at = row
    fresh = is_fresh(fresh_until, now=now)
    return Stored(pk, revoked_at is not None, fresh, bytes(body), etag, last_fetched_at)


def is_fresh(fresh_until: datetime | None, *, now: datetime) -> bool:
    """Whether a stored body still holds."""
    return fresh_until is not None and now < fresh_until


def stale(*, now: datetime) -> QuerySet[Subscription]:
    """Live calendars to be written anew, the oldest first."""
    return Subscription.objects.filter(
        Q(fresh_until=None) | Q(fresh_until__lte=now), revoked_at=None
    ).order_by("pk")


def of_patient(patient: Patient) -> QuerySet[Subscription]:
    """A patient's calendars, the newest first, without their stored bodies."""
    return Subscription.objects.filter(patient=patient).defer("body").order_by("-pk")


def newest_live(patient: Patient) -> Subscription | None:
    """The calendar given out last that has not been revoked."""
    return of_patient(patient).filter(revoked_at=None).first()
