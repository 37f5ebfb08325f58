"""What takes a dispense back: whole, one line of it, a parcel that did not arrive. The records stay.

A void may be undone for some minutes (`UNDO_MINUTES`), as long as the same part was not logged again since;
later, what happened is logged again. History rows keep every change, the undone void too. What lies on the
shelf follows in the same transaction, and the plan last.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Q

from resupply.models import (
    Dispense,
    DispenseLine,
    Given,
    Parcel,
    Proof,
    Voidable,
)
from resupply.services import back_orders, plans, stock
from resupply.services.errors import Refused
from resupply.services.records import check_day, local_day, said, take_back

UNDO_MINUTES = 15
"""How long a void may be undone (ours): time to see the slip, before anybody acts on what it changed."""
UNDO_WITHIN = timedelta(minutes=UNDO_MINUTES)


def void_dispense(
    dispense: Dispense, *, reason: str, by: AbstractBaseUser | None, now: datetime, to_shelf: bool = False
) -> Dispense:
    """Take a whole dispense back, its standing lines with it.

    `to_shelf`: its parts lie on the shelf again; else they are discarded, since what was in a patient's hands
    goes to nobody else. Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        lines = _take_back_whole(dispense, reason=reason, by=by, now=now)
        put_back(lines, to_shelf=to_shelf, by=by, now=now)
        plans.refresh_plans([dispense.patient_id], now=now)
    return dispense


def void_line(
    line: DispenseLine, *, reason: str, by: AbstractBaseUser | None, now: datetime, to_shelf: bool = False
) -> DispenseLine:
    """Take one line of a dispense back; with its last standing line the dispense itself goes.

    Raises Refused as `void_dispense` does.
    """
    with transaction.atomic():
        plans.lock_patients([line.dispense.patient_id])
        take_back_line(line, reason=reason, by=by, now=now)
        put_back([line], to_shelf=to_shelf, by=by, now=now)
        plans.refresh_plans([line.dispense.patient_id], now=now)
    return line


def parcel_undelivered(
    dispense: Dispense, *, on: date, by: AbstractBaseUser | None, now: datetime, to_shelf: bool = True
) -> Dispense:
    """A parcel came back on a day: the patient never had these parts, and they lie on the shelf again.

    `to_shelf` False where they came back damaged. Raises Refused `not_shipped`, `future`, `before_shipped`,
    `proved`, `already_void`.
    """
    with transaction.atomic():
        lines = _take_back_parcel(dispense, Parcel.UNDELIVERED, on=on, by=by, now=now)
        put_back(lines, to_shelf=to_shelf, by=by, now=now)
        plans.refresh_plans([dispense.patient_id], now=now)
    return dispense


def parcel_lost(dispense: Dispense, *, on: date, by: AbstractBaseUser | None, now: datetime) -> Dispense:
    """A parcel counts as lost from a day on: the patient never had these parts, and nothing comes back.

    Raises Refused as `parcel_undelivered` does.
    """
    with transaction.atomic():
        lines = _take_back_parcel(dispense, Parcel.LOST, on=on, by=by, now=now)
        back_orders.open_again(lines)
        plans.refresh_plans([dispense.patient_id], now=now)
    return dispense


def may_restore(record: Dispense | DispenseLine, *, now: datetime) -> bool:
    """Whether a record is void and the time to undo that has not run out."""
    return record.voided_at is not None and now - record.voided_at <= UNDO_WITHIN


def restore(record: Dispense | DispenseLine, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """Undo a void: a dispense with the lines that went with it, or a line (with its dispense, if that went).

    Raises Refused: `not_void`, `undo_over` (the time ran out), `logged_again` (the same part was logged
    since, by an exchange too), `dispense_void` (a line whose dispense was voided later), `given_since` (what
    went back on the shelf went to somebody else).
    """
    dispense = record if isinstance(record, Dispense) else record.dispense
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        lines = _voided_with(record, dispense, now=now)
        _check_not_logged_again(dispense, lines, since=record.voided_at or now)
        stock.take_again(lines, by=by, now=now)
        if dispense.is_voided:
            dispense.parcel, dispense.parcel_on = "", None
            _stand_again(dispense, "parcel", "parcel_on")
        for line in lines:
            _stand_again(line)
        back_orders.fill(lines, patient_id=dispense.patient_id)
        plans.refresh_plans([dispense.patient_id], now=now)


def take_back_line(line: DispenseLine, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Void a line, and its dispense where nothing of it is left; the caller locks and refreshes the plan.

    Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    take_back(line, reason=reason, by=by, now=now)
    if not line.dispense.lines.filter(voided_at=None).exists():
        take_back(line.dispense, reason=reason, by=by, now=now)


def put_back(
    lines: Sequence[DispenseLine], *, to_shelf: bool, by: AbstractBaseUser | None, now: datetime
) -> None:
    """What voided lines took off the shelf comes back, and the back orders they filled wait again."""
    stock.put_back(lines, to_shelf=to_shelf, by=by, now=now)
    back_orders.open_again(lines)


def _take_back_whole(
    dispense: Dispense, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> list[DispenseLine]:
    """Void a dispense with its standing lines; returns those lines."""
    take_back(dispense, reason=reason, by=by, now=now)
    lines = list(dispense.lines.filter(voided_at=None))
    for line in lines:
        take_back(line, reason=reason, by=by, now=now)
    return lines


def _take_back_parcel(
    dispense: Dispense, parcel: Parcel, *, on: date, by: AbstractBaseUser | None, now: datetime
) -> list[DispenseLine]:
    """Void a shipped dispense for what became of its parcel; returns its lines."""
    if dispense.given != Given.SHIPPED:
        raise Refused("not_shipped", "This dispense was handed over in person: there is no parcel. Void it.")
    check_day(dispense.patient, on, today=local_day(now, dispense.location.time_zone))
    if on < dispense.dispensed_on:
        raise Refused(
            "before_shipped",
            f"The parcel was shipped on {said(dispense.dispensed_on)}. Enter a later day.",
            "on",
        )
    plans.lock_patients([dispense.patient_id])
    if Proof.objects.filter(dispense=dispense, voided_at=None).exists():
        raise Refused("proved", "A proof of delivery is on record. If it is wrong, void the proof first.")
    lines = _take_back_whole(dispense, reason=f"{parcel.label} ({said(on)})", by=by, now=now)
    dispense.parcel, dispense.parcel_on = parcel, on
    dispense.save(update_fields=["parcel", "parcel_on"])
    return lines


def _voided_with(record: Dispense | DispenseLine, dispense: Dispense, *, now: datetime) -> list[DispenseLine]:
    """The lines that one void took back, if it may still be undone; the caller holds the lock."""
    record.refresh_from_db(fields=["voided_at"])
    dispense.refresh_from_db(fields=["voided_at"])
    if record.voided_at is None:
        raise Refused("not_void", "This record stands: there is no void to undo.")
    if not may_restore(record, now=now):
        raise Refused(
            "undo_over",
            f"A void can be undone for {UNDO_MINUTES} minutes. If the parts were given after all, log the "
            "dispense again, with the day they were given.",
        )
    if isinstance(record, Dispense):
        return list(record.lines.filter(voided_at=record.voided_at))
    if dispense.is_voided and dispense.voided_at != record.voided_at:
        raise Refused("dispense_void", "The whole dispense was voided since. Undo that, or log it again.")
    return [record]


def _check_not_logged_again(dispense: Dispense, lines: Sequence[DispenseLine], *, since: datetime) -> None:
    """Refuse to count a part twice that somebody logged anew after the void."""
    again = DispenseLine.objects.filter(
        dispense__patient=dispense.patient_id,
        kind__in={line.kind for line in lines},
        voided_at=None,
    ).filter(Q(recorded_at__gt=since) | Q(exchange_of__in=lines))
    if again.exists():
        raise Refused(
            "logged_again",
            "The same part was logged again since the void: undoing it would count the part twice. If that "
            "later record is wrong, void it first.",
        )


def _stand_again(record: Voidable, *also: str) -> None:
    """Take a void off a record; its history rows keep it."""
    record.voided_at, record.void_reason, record.voided_by_id = None, "", None
    record.save(update_fields=["voided_at", "voided_by", "void_reason", *also])
