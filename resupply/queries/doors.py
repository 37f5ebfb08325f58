"""Reads about links to patients' own pages."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Exists, OuterRef, QuerySet

from resupply.models import Door, Patient, PatientLink, PatientStatus
from resupply.queries.feeds import token_hash


@dataclass(frozen=True, slots=True)
class Found:
    """A link behind a token: whether it still opens, and whether the device that asks may see the page."""

    link: PatientLink
    is_live: bool
    is_open: bool


def find(token: str, *, keys: list[str], now: datetime) -> Found | None:
    """The link behind a token, and whether one of the device's `keys` opens it. One query; None: no such
    link, or of a patient whose import was undone.
    """
    mine = Door.objects.filter(link=OuterRef("pk"), key_hash__in=[token_hash(key) for key in keys])
    link = (
        PatientLink.objects.filter(token_hash=token_hash(token))
        .exclude(patient__status=PatientStatus.WITHDRAWN)
        .select_related("patient__location", "patient__plan_state")
        .annotate(is_open=Exists(mine))
        .first()
    )
    if link is None:
        return None
    is_live = link.revoked_at is None and now < link.expires_at
    return Found(link, is_live, is_live and link.is_open)


def of_patient(patient: Patient) -> QuerySet[PatientLink]:
    """A patient's links, the newest first, each with `devices`, the number that opened it."""
    rows = PatientLink.objects.filter(patient=patient).select_related("created_by", "revoked_by")
    return rows.annotate(devices=Count("doors")).order_by("-pk")
