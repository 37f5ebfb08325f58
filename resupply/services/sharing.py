"""Programs that read over FHIR: let in by a manager, ended at any time, every request on record."""

import secrets
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Integration, Location, SharedRead, SharedRecord, SharedResource
from resupply.queries.feeds import token_hash
from resupply.services.errors import Refused

LONGEST = timedelta(days=366)
"""A token lives a year at most: whoever still needs it asks again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewIntegration:
    """Who is let in: a name, why, which resources, of which locations (none: all), until when."""

    name: str
    purpose: str
    resources: Collection[SharedResource]
    locations: Collection[Location]
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class LetIn:
    """An integration and its token, which nothing stores: shown now or never."""

    integration: Integration
    token: str


def let_in(new: NewIntegration, *, by: AbstractBaseUser | None, now: datetime) -> LetIn:
    """Give a program a token.

    Raises Refused: `name_missing`, `purpose_missing`, `nothing_chosen`, `expiry`.
    """
    name, purpose = new.name.strip(), new.purpose.strip()
    if not name:
        raise Refused("name_missing", "Name the program, as you will look for it later.", "name")
    if not purpose:
        raise Refused("purpose_missing", "Say why it reads records: that stays on record.", "purpose")
    if not new.resources:
        raise Refused("nothing_chosen", "Choose at least one kind of record it may read.", "resources")
    if not now < new.expires_at <= now + LONGEST:
        raise Refused("expiry", "Choose a last day after today and at most a year ahead.", "last_day")
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        made = Integration.objects.create(
            name=name,
            purpose=purpose,
            token_hash=token_hash(token),
            resources=sorted(new.resources),
            created_at=now,
            created_by_id=by.pk if by is not None else None,
            expires_at=new.expires_at,
        )
        made.locations.set(new.locations)
    return LetIn(made, token)


def end(integration: Integration, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """Shut a program out for good. Raises Refused `already_ended`."""
    with transaction.atomic():
        live = Integration.objects.select_for_update().filter(pk=integration.pk, ended_at=None)
        if not live.exists():
            raise Refused("already_ended", "This program has been shut out already.")
        Integration.objects.filter(pk=integration.pk).update(
            ended_at=now, ended_by_id=by.pk if by is not None else None
        )


def record_read(
    integration: Integration,
    resource: str,
    *,
    is_search: bool,
    status: int,
    patient_ids: Iterable[int],
    now: datetime,
) -> None:
    """Keep that a program asked, and of which patients it was given how many records."""
    with transaction.atomic():
        read = SharedRead.objects.create(
            integration=integration, at=now, resource=resource, is_search=is_search, status=status
        )
        SharedRecord.objects.bulk_create(
            SharedRecord(read=read, patient_id=patient_id, count=count)
            for patient_id, count in sorted(Counter(patient_ids).items())
        )
