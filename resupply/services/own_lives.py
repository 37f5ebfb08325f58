"""One patient's own lives: how long a part lasts this patient, where the clinic's policy says otherwise.

A version is appended with its day and its reason, never edited, and can be voided; the plan follows at once.
"""

from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import LifeVersion, Patient, PolicyKind
from resupply.rules.periods import Period
from resupply.services import plans, versions
from resupply.services.errors import Refused
from resupply.services.records import check_ahead, check_day, check_reason, local_day, stamp, take_back


def set_own_life(
    patient: Patient,
    part_code: str,
    life: Period | None,
    *,
    effective_from: date,
    reason: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> LifeVersion:
    """A patient's own life of a code from a day on; None: from then on the clinic's policy counts again.

    Raises Refused: `unknown_code`, `period`, `reason_missing`, `reason_long`, `before_birth`, `too_far`,
    `already` (the same from that day), and `no_own_life` where the policy counts on that day as it is.
    """
    count, unit = (life.count, life.unit.value) if life else (None, "month")
    values = {"part_code": part_code, "period_count": count, "period_unit": unit}
    versions.check(PolicyKind.LIFE, values | ({} if life else {"period_count": 1}), None)
    today = local_day(now, patient.time_zone)
    check_day(patient, effective_from, today=today, field="effective_from", ahead=True)
    check_ahead(effective_from, today=today, what="a start", field="effective_from")
    reason = check_reason(reason)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        newest = _newest(patient, part_code, effective_from)
        same = (effective_from, count, unit)
        if newest and (newest.effective_from, newest.period_count, newest.period_unit) == same:
            raise Refused("already", "This is on record from that day already.", "effective_from")
        if life is None and (newest is None or newest.period_count is None):
            raise Refused(
                "no_own_life",
                "No life of the patient’s own counts on that day, so the policy does. Check the part and the "
                "day.",
                "part_code",
            )
        version = LifeVersion.objects.create(
            patient=patient, effective_from=effective_from, reason=reason, **values, **stamp(by, now)
        )
        plans.refresh_plans([patient.pk], now=now)
    return version


def void_own_life(version: LifeVersion, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take a version back with a reason: the one before it counts again.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    patient_ids = [version.patient_id] if version.patient_id else []
    with transaction.atomic():
        plans.lock_patients(patient_ids)
        take_back(version, reason=reason, by=by, now=now)
        plans.refresh_plans(patient_ids, now=now)


def _newest(patient: Patient, part_code: str, day: date) -> LifeVersion | None:
    """The patient's own version that counts on a day, if there is one; the caller holds the lock."""
    standing = patient.lives.filter(part_code=part_code, voided_at=None, effective_from__lte=day)
    return standing.order_by("effective_from", "pk").last()
