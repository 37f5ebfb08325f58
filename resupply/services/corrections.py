"""What takes a dispense back: whole, or one line of it. The records stay, with the reason."""

from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Dispense, DispenseLine
from resupply.services import plans
from resupply.services.records import take_back


def void_dispense(dispense: Dispense, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> Dispense:
    """Take a whole dispense back, its standing lines with it. Raises Refused `reason_missing`,
    `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        take_back(dispense, reason=reason, by=by, now=now)
        for line in dispense.lines.filter(voided_at=None):
            take_back(line, reason=reason, by=by, now=now)
        plans.refresh_plans([dispense.patient_id], now=now)
    return dispense


def void_line(line: DispenseLine, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> DispenseLine:
    """Take one line of a dispense back; with its last standing line the dispense itself goes."""
    dispense = line.dispense
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        take_back(line, reason=reason, by=by, now=now)
        if not dispense.lines.filter(voided_at=None).exists():
            take_back(dispense, reason=reason, by=by, now=now)
        plans.refresh_plans([dispense.patient_id], now=now)
    return line
