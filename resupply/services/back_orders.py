"""Back orders: parts a patient is to have once they are in stock. They change no plan.

One stays open until a dispense line of its kind fills it, or it is voided.
"""

from collections.abc import Sequence
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    LARGEST_QUANTITY,
    BackOrder,
    CatalogueItem,
    DispenseLine,
    Location,
    Patient,
    PatientStatus,
)
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.errors import Refused
from resupply.services.plans import lock_patients
from resupply.services.records import check_ahead, local_day, said, stamp, take_back


def back_order(
    *,
    patient: Patient,
    location: Location,
    item: CatalogueItem | None,
    kind: str,
    part_code: str,
    quantity: int,
    expected_on: date | None = None,
    note: str = "",
    by: AbstractBaseUser | None,
    now: datetime,
) -> BackOrder:
    """Promise a patient parts that are not in stock; with `item`, kind and code are the item's.

    Raises Refused: `unknown_kind`, `unknown_code`, `quantity`, `note_long`, `expected_past`,
    `too_far`, `not_on_therapy`, and `open_already` where the patient has an open one of that kind.
    """
    kind, part_code = (item.kind, item.part_code) if item else (kind, part_code)
    today = local_day(now, location.time_zone)
    _check(kind, part_code, quantity, note)
    _check_day(expected_on, today)
    with transaction.atomic():
        lock_patients([patient.pk])
        _check_patient(patient, kind)
        return BackOrder.objects.create(
            patient=patient,
            location=location,
            item=item,
            kind=kind,
            part_code=part_code,
            quantity=quantity,
            ordered_on=today,
            expected_on=expected_on,
            note=note.strip(),
            **stamp(by, now),
        )


def expect_on(order: BackOrder, *, expected_on: date | None, now: datetime) -> BackOrder:
    """Say when the parts are expected now; None: not known. Raises Refused `expected_past`,
    `too_far`, `not_open`.
    """
    _check_day(expected_on, local_day(now, order.location.time_zone))
    with transaction.atomic():
        _hold(order)
        order.expected_on = expected_on
        order.save(update_fields=["expected_on"])
    return order


def fill(lines: Sequence[DispenseLine], *, patient_id: int) -> list[BackOrder]:
    """Let dispense lines fill the patient's open back orders of their kinds, the oldest first, one a line.

    Called by the dispense, with its patient locked.
    """
    waiting = open_of(patient_id, {line.kind for line in lines})
    filled = []
    for line in lines:
        order = next((order for order in waiting if order.kind == line.kind), None)
        if order is not None:
            waiting.remove(order)
            order.filled_by = line
            order.save(update_fields=["filled_by"])
            filled.append(order)
    return filled


def open_again(lines: Sequence[DispenseLine]) -> None:
    """A voided dispense line fills nothing: its back orders wait again. Called with the patient locked."""
    for order in BackOrder.objects.filter(filled_by__in=lines, voided_at=None).order_by("pk"):
        order.filled_by = None
        order.save(update_fields=["filled_by"])


def void_back_order(
    order: BackOrder, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> BackOrder:
    """Take a back order back, with the reason. Raises Refused `reason_missing`, `reason_long`, `not_open`."""
    with transaction.atomic():
        _hold(order)
        take_back(order, reason=reason, by=by, now=now)
    return order


def open_of(patient_id: int, kinds: Sequence[str] | set[str]) -> list[BackOrder]:
    """The patient's open back orders of these kinds, the oldest first."""
    found = BackOrder.objects.filter(patient=patient_id, kind__in=kinds, filled_by=None, voided_at=None)
    return list(found.order_by("pk"))


def _check(kind: str, part_code: str, quantity: int, note: str) -> None:
    if kind not in set(Kind):
        raise Refused("unknown_kind", "Choose a part.", "kind")
    if part_code not in part_types() or part_types()[part_code].kind != kind:
        raise Refused("unknown_code", f"“{part_code}” is no code of this part. Choose a part.", "part_code")
    if not 1 <= quantity <= LARGEST_QUANTITY:
        raise Refused("quantity", f"Enter a quantity from 1 to {LARGEST_QUANTITY}.", "quantity")
    if len(note.strip()) > 300:
        raise Refused("note_long", "Keep the note to 300 characters.", "note")


def _check_day(expected_on: date | None, today: date) -> None:
    if expected_on and expected_on < today:
        raise Refused(
            "expected_past",
            f"{said(expected_on)} has passed. Enter the day they are expected.",
            "expected_on",
        )
    if expected_on:
        check_ahead(expected_on, today=today, what="a day", field="expected_on")


def _check_patient(patient: Patient, kind: str) -> None:
    """Refuse a patient who is not on therapy, or waits for such a part already."""
    patient.refresh_from_db(fields=["status"])
    if patient.status != PatientStatus.ON_THERAPY:
        raise Refused("not_on_therapy", "This patient is not on therapy here. Check the person.")
    if open_of(patient.pk, [kind]):
        raise Refused(
            "open_already",
            "There is an open back order of this part already. Change or void that one.",
            "kind",
        )


def _hold(order: BackOrder) -> None:
    """Lock the patient, and refuse what is no longer open."""
    lock_patients([order.patient_id])
    order.refresh_from_db(fields=["filled_by", "voided_at"])
    if order.filled_by_id or order.is_voided:
        raise Refused("not_open", "This back order is not open any more: it was filled or voided.")
