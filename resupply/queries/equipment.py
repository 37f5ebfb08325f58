"""What a patient's parts serve: the device with its prescribed pressure, and the prescriber's order.

Both come as columns of another query on patients, so that the desk's page needs no query of its own for them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import OuterRef, Prefetch, Subquery
from django.db.models.functions import JSONObject

from resupply.models import Device, Humidifier, Order, OrderItem, Patient


@dataclass(frozen=True, slots=True)
class DeviceNow:
    """The device supplied last; pressures in cmH2O, None where not on record."""

    description: str
    serial: str
    since: date
    pressure_low: float | None
    pressure_high: float | None
    humidifier: str


@dataclass(frozen=True, slots=True)
class OrderNow:
    """The prescriber's newest order."""

    prescriber: str
    npi: str
    since: date
    until: date | None


def columns() -> dict[str, Subquery]:
    """Expressions `device` and `order` for a query on patients; `read` makes sense of what they give."""
    device = Device.objects.filter(patient=OuterRef("pk"), voided_at=None).order_by("-supplied_on", "-pk")
    order = Order.objects.filter(patient=OuterRef("pk"), voided_at=None).order_by("-ordered_on", "-pk")
    fields = ("description", "serial", "supplied_on", "pressure_low", "pressure_high", "humidifier")
    return {
        "device": Subquery(device.values(found=JSONObject(**{name: name for name in fields}))[:1]),
        "order": Subquery(
            order.values(
                found=JSONObject(
                    prescriber="prescriber_name", npi="prescriber_npi", since="ordered_on", until="ends_on"
                )
            )[:1]
        ),
    }


def read(row: Mapping[str, Any]) -> tuple[DeviceNow | None, OrderNow | None]:
    """Device and order of a row of such a query."""
    device, order = row["device"], row["order"]
    return (
        device
        and DeviceNow(
            device["description"],
            device["serial"],
            date.fromisoformat(device["supplied_on"]),
            device["pressure_low"],
            device["pressure_high"],
            Humidifier(device["humidifier"]).label,
        ),
        order
        and OrderNow(
            order["prescriber"],
            order["npi"],
            date.fromisoformat(order["since"]),
            date.fromisoformat(order["until"]) if order["until"] else None,
        ),
    )


def devices(patient: Patient) -> list[Device]:
    """A patient's devices, the newest first; voided ones too. One query."""
    rows = Device.objects.filter(patient=patient).select_related("recorded_by", "voided_by")
    return list(rows.order_by("-supplied_on", "-pk"))


def orders(patient: Patient) -> list[Order]:
    """A patient's orders with their items, the newest first; voided ones too. Two queries."""
    rows = Order.objects.filter(patient=patient).select_related("recorded_by", "voided_by")
    items = Prefetch("items", OrderItem.objects.order_by("pk"))
    return list(rows.order_by("-ordered_on", "-pk").prefetch_related(items))
