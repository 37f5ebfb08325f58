"""The prescriber's orders and the devices parts serve. Records of the chart: no plan is worked out from them.

(Which chamber, tubing and filters a patient has, and so what is cleaned, follows from what was dispensed.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import LARGEST_QUANTITY, Device, Humidifier, Order, OrderItem, Patient
from resupply.rules import npi
from resupply.rules.npi import Fault
from resupply.rules.tables import part_types
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_day, local_day, stamp, take_back

LOWEST_PRESSURE, HIGHEST_PRESSURE = Decimal(4), Decimal(30)
"""Prescribed pressures in cmH2O that are no slip of the keyboard.

The AASM's titration guideline (J Clin Sleep Med 2008;4(2):157) starts CPAP at 4 cmH2O; that it ends bilevel
titration at 30 cmH2O is from memory. Nothing is prescribed or judged by these numbers.
"""
MOST_MONTHS = 24
"""The longest period of an item on an order, in months (a convention)."""

_NPI = {
    Fault.LENGTH: "An NPI has ten digits.",
    Fault.FIRST_DIGIT: "An NPI starts with 1 or 2.",
    Fault.CHECK_DIGIT: "The check digit does not fit: a digit is mistyped. Compare it with the order.",
}


@dataclass(frozen=True, slots=True)
class Ordered:
    """So many units of a code in so many months."""

    part_code: str
    quantity: int
    period_months: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderDetails:
    """What an order says; `ends_on` None: it names no end."""

    prescriber_name: str
    prescriber_npi: str
    ordered_on: date
    ends_on: date | None = None
    items: Sequence[Ordered] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceDetails:
    """A device as supplied; pressures in cmH2O: one where it is fixed, two where it adjusts."""

    description: str
    supplied_on: date
    serial: str = ""
    pressure_low: Decimal | None = None
    pressure_high: Decimal | None = None
    humidifier: str = Humidifier.NONE


def record_order(
    patient: Patient, details: OrderDetails, *, by: AbstractBaseUser | None, now: datetime
) -> Order:
    """Record a prescriber's order with its items.

    Raises Refused: `prescriber_missing`, `npi`, `before_birth`, `future`, `ends_on`, `no_items`,
    `unknown_code`, `code_twice`, `quantity`, `period`; and `already`: a form sent twice records it once.
    """
    number = npi.tidy(details.prescriber_npi)
    _check_order(patient, details, number, today=local_day(now, patient.time_zone))
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if _is_on_record(patient, details, number):
            raise Refused("already", "An order of this day with these parts is on record already.")
        order = Order.objects.create(
            patient=patient,
            prescriber_name=details.prescriber_name.strip(),
            prescriber_npi=number,
            ordered_on=details.ordered_on,
            ends_on=details.ends_on,
            **stamp(by, now),
        )
        OrderItem.objects.bulk_create(
            OrderItem(
                order=order,
                part_code=item.part_code,
                quantity=item.quantity,
                period_months=item.period_months,
            )
            for item in details.items
        )
    return order


def void_order(order: Order, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take an order back with a reason. Raises Refused: `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        plans.lock_patients([order.patient_id])
        take_back(order, reason=reason, by=by, now=now)


def record_device(
    patient: Patient, details: DeviceDetails, *, by: AbstractBaseUser | None, now: datetime
) -> Device:
    """Record a device; the one supplied last is the patient's.

    Raises Refused: `description_missing`, `humidifier`, `before_birth`, `future`, `pressure`; and `already`:
    a form sent twice records it once.
    """
    _check_device(patient, details, today=local_day(now, patient.time_zone))
    said = {
        "description": details.description.strip(),
        "serial": details.serial.strip(),
        "pressure_low": details.pressure_low,
        "pressure_high": details.pressure_high,
        "humidifier": details.humidifier,
        "supplied_on": details.supplied_on,
    }
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if Device.objects.filter(patient=patient, voided_at=None, **said).exists():
            raise Refused("already", "This device, supplied that day, is on record already.")
        return Device.objects.create(patient=patient, **said, **stamp(by, now))


def void_device(device: Device, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take a device back with a reason. Raises Refused: `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        plans.lock_patients([device.patient_id])
        take_back(device, reason=reason, by=by, now=now)


def _is_on_record(patient: Patient, details: OrderDetails, number: str) -> bool:
    """Whether an order that stands says the same."""
    same = Order.objects.filter(
        patient=patient, prescriber_npi=number, ordered_on=details.ordered_on, ends_on=details.ends_on,
        voided_at=None,
    )  # fmt: skip
    wanted = {Ordered(item.part_code, item.quantity, item.period_months) for item in details.items}
    return any(
        {Ordered(item.part_code, item.quantity, item.period_months) for item in order.items.all()} == wanted
        for order in same.prefetch_related("items")
    )


def _check_order(patient: Patient, details: OrderDetails, number: str, *, today: date) -> None:
    if not details.prescriber_name.strip():
        raise Refused("prescriber_missing", "Enter the prescriber's name.", "prescriber_name")
    if fault := npi.fault(number):
        raise Refused("npi", _NPI[fault], "prescriber_npi")
    check_day(patient, details.ordered_on, today=today, field="ordered_on")
    if details.ends_on is not None and details.ends_on <= details.ordered_on:
        raise Refused("ends_on", "The order ends after the day it is written.", "ends_on")
    if not details.items:
        raise Refused("no_items", "Enter at least one part of the order.")
    for row, item in enumerate(details.items):
        _check_item(item, row, earlier=[other.part_code for other in details.items[:row]])


def _check_item(item: Ordered, row: int, *, earlier: Sequence[str]) -> None:
    if item.part_code not in part_types():
        raise Refused("unknown_code", "Choose the part.", "part_code", row=row)
    if item.part_code in earlier:
        raise Refused("code_twice", f"{item.part_code} is on the order already.", "part_code", row=row)
    if not 1 <= item.quantity <= LARGEST_QUANTITY:
        raise Refused("quantity", f"Enter a quantity from 1 to {LARGEST_QUANTITY}.", "quantity", row=row)
    if not 1 <= item.period_months <= MOST_MONTHS:
        raise Refused("period", f"Enter from 1 to {MOST_MONTHS} months.", "period_months", row=row)


def _check_device(patient: Patient, details: DeviceDetails, *, today: date) -> None:
    if not details.description.strip():
        raise Refused("description_missing", "Describe the device as its label does.", "description")
    if details.humidifier not in Humidifier.values:
        raise Refused("humidifier", "Choose one of the listed humidifiers.", "humidifier")
    check_day(patient, details.supplied_on, today=today, field="supplied_on")
    low, high = details.pressure_low, details.pressure_high
    for field, pressure in (("pressure_low", low), ("pressure_high", high)):
        if pressure is not None and not LOWEST_PRESSURE <= pressure <= HIGHEST_PRESSURE:
            raise Refused(
                "pressure",
                f"Enter the prescribed pressure in cmH2O, from {LOWEST_PRESSURE} to {HIGHEST_PRESSURE}.",
                field,
            )
    if high is not None and low is None:
        raise Refused(
            "pressure", "Enter the lower pressure too, or the one fixed pressure here.", "pressure_low"
        )
    if low is not None and high is not None and high < low:
        raise Refused("pressure", "The highest pressure cannot lie below the lowest.", "pressure_high")
