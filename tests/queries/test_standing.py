"""What a patient's page says at its top."""

from datetime import date

import pytest

from resupply.models import Device, Order
from resupply.queries.equipment import DeviceNow, OrderNow
from resupply.queries.patients import standing
from tests.builders import NOW, TODAY
from tests.cast import Cast

pytestmark = pytest.mark.django_db


def test_the_device_and_the_order_that_count_are_the_newest_standing_ones(cast: Cast) -> None:
    for day, low, high in ((date(2025, 1, 1), "8.0", "8.0"), (date(2026, 1, 1), "6.0", "12.5")):
        Device.objects.create(
            patient=cast.odalys,
            description="Self-adjusting device",
            serial=f"S-{low}",
            supplied_on=day,
            pressure_low=low,
            pressure_high=high,
            humidifier="heated",
        )
    voided = Device.objects.create(patient=cast.odalys, description="Typed twice", supplied_on=TODAY)
    Device.objects.filter(pk=voided.pk).update(voided_at=NOW, void_reason="typed twice")
    Order.objects.create(
        patient=cast.odalys, prescriber_name="Dr Ada Quill", prescriber_npi="1234567893", ordered_on=TODAY
    )
    found = standing(cast.odalys, today=TODAY)
    assert found.device == DeviceNow("Self-adjusting device", "S-6.0", date(2026, 1, 1), 6.0, 12.5, "Heated")
    assert found.order == OrderNow("Dr Ada Quill", "1234567893", TODAY, None)
    assert standing(cast.tevin, today=TODAY).device is None
