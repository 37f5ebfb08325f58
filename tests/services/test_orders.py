"""Orders and devices: NPI and pressures checked, voids with a reason, no plan moved."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from resupply.models import Device, Order, OrderItem
from resupply.queries import equipment
from resupply.queries.patients import standing
from resupply.services import orders
from resupply.services.errors import Refused
from resupply.services.orders import DeviceDetails, OrderDetails, Ordered
from tests.builders import NOW, TODAY
from tests.cast import Cast

SIX = Ordered("A7032", 6, 3)


def record(cast: Cast, **over: Any) -> Order:
    values: dict[str, Any] = {
        "prescriber_name": "Dr. Test",
        "prescriber_npi": "1234567893",  # CMS, worked example of the NPI check digit
        "ordered_on": TODAY,
        "items": [SIX],
    }
    return orders.record_order(cast.odalys, OrderDetails(**values | over), by=cast.desk.user, now=NOW)


def supply(cast: Cast, **over: Any) -> Device:
    values: dict[str, Any] = {"description": "Device", "supplied_on": TODAY, "humidifier": "heated"}
    return orders.record_device(cast.odalys, DeviceDetails(**values | over), by=cast.desk.user, now=NOW)


def test_an_order_is_recorded_with_its_items(cast: Cast) -> None:
    order = record(
        cast,
        prescriber_name=" Dr. Test ",
        prescriber_npi="123 456-7893",
        ends_on=TODAY + timedelta(days=365),
        items=[SIX, Ordered("A7046", 1, 6)],
    )
    (found,) = equipment.orders(cast.odalys)
    assert (found.prescriber_name, found.prescriber_npi, found.recorded_by) == (
        "Dr. Test",
        "1234567893",
        cast.desk.user,
    )
    rows = [(item.part_code, item.quantity, item.period_months) for item in found.items.all()]
    assert rows == [("A7032", 6, 3), ("A7046", 1, 6)]
    seen = standing(cast.odalys, today=TODAY)
    assert seen.order is not None
    assert (seen.order.prescriber, seen.order.until) == ("Dr. Test", order.ends_on)


@pytest.mark.parametrize(
    ("over", "code", "where"),
    [
        ({"prescriber_npi": "1234567890"}, "npi", ("prescriber_npi", None)),  # CMS: another check digit
        ({"prescriber_npi": "3234567893"}, "npi", ("prescriber_npi", None)),
        ({"prescriber_npi": "12345"}, "npi", ("prescriber_npi", None)),
        ({"prescriber_npi": ""}, "npi", ("prescriber_npi", None)),
        ({"prescriber_name": " "}, "prescriber_missing", ("prescriber_name", None)),
        ({"ordered_on": TODAY + timedelta(days=1)}, "future", ("ordered_on", None)),
        ({"ordered_on": date(1950, 1, 1)}, "before_birth", ("ordered_on", None)),
        ({"ends_on": TODAY}, "ends_on", ("ends_on", None)),
        ({"items": []}, "no_items", (None, None)),
        ({"items": [Ordered("X1", 1, 1)]}, "unknown_code", ("part_code", 0)),
        ({"items": [SIX, SIX]}, "code_twice", ("part_code", 1)),
        ({"items": [SIX, Ordered("A7038", 0, 1)]}, "quantity", ("quantity", 1)),
        ({"items": [Ordered("A7038", 501, 1)]}, "quantity", ("quantity", 0)),
        ({"items": [Ordered("A7038", 1, 25)]}, "period", ("period_months", 0)),
        ({"items": [Ordered("A7038", 1, 0)]}, "period", ("period_months", 0)),
    ],
)
def test_orders_that_are_refused(cast: Cast, over: dict[str, Any], code: str, where: tuple[Any, Any]) -> None:
    with pytest.raises(Refused) as found:
        record(cast, **over)
    assert (found.value.code, (found.value.field, found.value.row)) == (code, where)
    assert not Order.objects.exists()
    assert not OrderItem.objects.exists()


def test_a_voided_order_is_not_the_newest(cast: Cast) -> None:
    record(cast, ordered_on=TODAY - timedelta(days=400), prescriber_name="Dr. Before")
    wrong = record(cast)
    orders.void_order(wrong, reason="another patient's", by=cast.desk.user, now=NOW)
    seen = standing(cast.odalys, today=TODAY)
    assert seen.order is not None
    assert seen.order.prescriber == "Dr. Before"
    assert [order.is_voided for order in equipment.orders(cast.odalys)] == [True, False]
    for reason, code in ((" ", "reason_missing"), ("again", "already_void")):
        with pytest.raises(Refused) as found:
            orders.void_order(wrong, reason=reason, by=None, now=NOW)
        assert found.value.code == code


def test_a_device_is_recorded_and_the_last_one_is_the_patients(cast: Cast) -> None:
    supply(cast, supplied_on=TODAY - timedelta(days=900), description="Old device")
    device = supply(cast, serial=" S-1 ", pressure_low=Decimal("6.4"), pressure_high=Decimal("14.0"))
    seen = standing(cast.odalys, today=TODAY).device
    assert seen is not None
    assert (seen.serial, seen.pressure_low, seen.pressure_high, seen.humidifier) == (
        "S-1",
        6.4,
        14.0,
        "Heated",
    )
    orders.void_device(device, reason="went back to the maker", by=None, now=NOW)
    seen = standing(cast.odalys, today=TODAY).device
    assert seen is not None
    assert seen.description == "Old device"


@pytest.mark.parametrize(
    ("over", "code", "field"),
    [
        ({"description": " "}, "description_missing", "description"),
        ({"humidifier": "cold"}, "humidifier", "humidifier"),
        ({"supplied_on": TODAY + timedelta(days=1)}, "future", "supplied_on"),
        ({"pressure_low": Decimal("3.9")}, "pressure", "pressure_low"),
        ({"pressure_low": Decimal(4), "pressure_high": Decimal("30.1")}, "pressure", "pressure_high"),
        ({"pressure_high": Decimal(10)}, "pressure", "pressure_low"),
        ({"pressure_low": Decimal(10), "pressure_high": Decimal(9)}, "pressure", "pressure_high"),
    ],
)
def test_devices_that_are_refused(cast: Cast, over: dict[str, Any], code: str, field: str) -> None:
    with pytest.raises(Refused) as found:
        supply(cast, **over)
    assert (found.value.code, found.value.field) == (code, field)
    assert not Device.objects.exists()


def test_pressures_at_both_ends_are_taken(cast: Cast) -> None:
    """4 cmH2O: the AASM's titration guideline (2008) starts CPAP there. 30: its bilevel end, from memory."""
    device = supply(cast, pressure_low=Decimal(4), pressure_high=Decimal(30))
    assert (device.pressure_low, device.pressure_high) == (4, 30)
