"""The read log is appended here: whose records were shown, to whom, on which page."""

from collections.abc import Collection
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import Integration, PatientLink, PatientRead, ReadKind

_IN_A_ROW = 5000
"""Patients that one row names at most; the list of a whole clinic takes several."""


def log_read(
    user: AbstractBaseUser | None,
    patient_ids: Collection[int],
    page: str,
    *,
    now: datetime,
    kind: ReadKind = ReadKind.PAGE,
    came_from: str = "",
    emergency: int | None = None,
    integration: Integration | None = None,
    link: PatientLink | None = None,
) -> None:
    """Keep that records of patients were shown on a page (the name of a view). One INSERT; nobody: none.

    `emergency` is the number of the emergency access it was read under.
    """
    ids = sorted(patient_ids)
    rows = [
        PatientRead(
            at=now,
            kind=kind,
            page=page[:80],
            came_from=came_from[:80],
            user_id=user.pk if user is not None else None,
            integration=integration,
            link=link,
            emergency=emergency,
            patients=ids[start : start + _IN_A_ROW],
        )
        for start in range(0, len(ids), _IN_A_ROW)
    ]
    if len(rows) == 1:  # a transaction around one statement would be two more to wait for
        rows[0].save(force_insert=True)
    else:
        PatientRead.objects.bulk_create(rows)
