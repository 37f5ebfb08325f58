"""Reads about emergency access: what is open, whom a desk means, and what managers review."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from resupply.models import EmergencyAccess, FindToken, Patient, PatientRead, PatientStatus, Staff
from resupply.queries import history_log
from resupply.queries.history_log import Changed, Wanted


@dataclass(frozen=True, slots=True)
class Opened:
    """An emergency access that lasts: of whom, and until when."""

    pk: int
    public_id: UUID
    patient_id: int
    patient_public_id: UUID
    name: str
    until: datetime


def lasting(*, now: datetime) -> QuerySet[EmergencyAccess]:
    """What is open at a moment."""
    return EmergencyAccess.objects.filter(began_at__lte=now, ends_at__gt=now, ended_at=None).exclude(
        patient__status=PatientStatus.WITHDRAWN
    )


def opened(rows: Iterable[Mapping[str, Any]]) -> tuple[Opened, ...]:
    """What a query found as JSON.

    Names come as JSON and not as patients: the line that says what is open is on every page, and the read log
    is to say which pages showed a record.
    """
    return tuple(
        Opened(
            row["pk"],
            UUID(row["public_id"]),
            row["patient_id"],
            UUID(row["patient_public_id"]),
            f"{row['given_name']} {row['family_name']}".strip(),
            datetime.fromisoformat(row["until"]),
        )
        for row in rows
    )


def named(words: Sequence[str], birth_date: date) -> list[Patient]:
    """The patients with a date of birth for whom each (folded) word is a whole name or the reference.

    At most two: more than one is not told apart. No words find nobody.
    """
    if not words:
        return []
    people = Patient.objects.filter(birth_date=birth_date).exclude(status=PatientStatus.WITHDRAWN)
    for word in words:
        people = people.filter(pk__in=FindToken.objects.filter(token=word).values("patient"))
    return list(people.select_related("location").order_by("pk")[:2])


def to_review(location_ids: Collection[int]) -> QuerySet[EmergencyAccess]:
    """What a manager of these locations (none: of all) sees, the newest first: of their patients, and by
    people who work there.
    """
    rows = EmergencyAccess.objects.select_related("patient__location", "user", "reviewed_by").order_by("-pk")
    if location_ids:
        mine = Staff.objects.filter(Q(locations__in=sorted(location_ids)) | Q(locations=None)).values("user")
        rows = rows.filter(Q(patient__location__in=sorted(location_ids)) | Q(user__in=mine))
    return rows


def waiting(location_ids: Collection[int]) -> int:
    """How many of those nobody has reviewed yet."""
    return to_review(location_ids).filter(reviewed_at=None).count()


@dataclass(frozen=True, slots=True)
class Doings:
    """What was done under an access: pages shown (view, moment, as what), and changes."""

    reads: list[PatientRead]
    changes: list[Changed]


MOST_DOINGS = 200


def doings(access: EmergencyAccess) -> Doings:
    """What was read and changed under an emergency access, the latest first, `MOST_DOINGS` of each."""
    reads = PatientRead.objects.filter(emergency=access.pk).order_by("-pk")[:MOST_DOINGS]
    wanted = Wanted(patient=access.patient, emergency=access.pk)
    return Doings(list(reads), history_log.changed(wanted, before=None, at_most=MOST_DOINGS))
