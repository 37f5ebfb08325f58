"""Orders and devices at the desk: the forms, what they keep, and what a patient's page then says."""

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import Device, Order
from tests.builders import NOW, make_device, make_order
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")

NPI = "1234567893"
"""CMS, worked example of the NPI check digit."""


def at(view: str, *args: object) -> str:
    return reverse(f"desk:{view}", args=args)


def sent(*rows: tuple[str, str, str], **over: str) -> dict[str, str]:
    head = {"prescriber_name": "Dr. Test", "prescriber_npi": NPI, "ordered_on": "2026-03-10", "ends_on": ""}
    counts = {"rows-TOTAL_FORMS": str(len(rows)), "rows-INITIAL_FORMS": "0"}
    names = ("part_code", "quantity", "period_months")
    cells = {
        f"rows-{place}-{name}": value
        for place, row in enumerate(rows)
        for name, value in zip(names, row, strict=True)
    }
    return head | counts | cells | over


def test_an_order_is_recorded_and_stands_on_the_page(cast: Cast, ines: Client) -> None:
    url = at("order_new", cast.odalys.public_id)
    answer = ines.post(url, sent(("A7032", "6", "3"), ("", "", ""), ends_on="2027-03-10"))
    assert answer["Location"] == at("equipment", cast.odalys.public_id)
    order = Order.objects.get()
    assert [(item.part_code, item.quantity, item.period_months) for item in order.items.all()] == [
        ("A7032", 6, 3)
    ]
    page = text(ines.get(answer["Location"]))
    twice = ines.post(url, sent(("A7032", "6", "3"), ends_on="2027-03-10"))
    assert "An order of this day with these parts is on record already." in text(twice)
    assert Order.objects.count() == 1
    assert "Order of Tue 10 Mar recorded." in page
    assert "Dr. Test · NPI 1234567893 · ends Wed 10 Mar 2027" in page
    assert "6 × cushion for a nasal mask A7032 · for 3 months" in page
    assert "Dr. Test, NPI 1234567893, Tue 10 Mar to Wed 10 Mar 2027" in text(
        ines.get(at("patient", cast.odalys.public_id))
    )


def test_a_refused_order_keeps_what_was_typed(cast: Cast, ines: Client) -> None:
    url = at("order_new", cast.odalys.public_id)
    rows = (("A7032", "6", "3"), ("A7038", "", ""), ("", "2", ""))
    for over, shown in [
        ({"prescriber_npi": "1234567890"}, "The check digit does not fit"),
        ({"prescriber_npi": "123"}, "An NPI has ten digits."),
        ({"prescriber_name": ""}, "Fill this in."),
    ]:
        answer = ines.post(url, sent(rows[0], **over))
        assert answer.status_code == 422
        assert shown in text(answer)
        assert 'value="6"' in answer.content.decode()
        assert f'value="{over.get("prescriber_npi", NPI)}"' in answer.content.decode()
    page = text(ines.post(url, sent(*rows)))
    for words in (
        "Part 2, quantity : Enter how many.",
        "Part 2, for how many months",
        "Part 3, part : Choose the part.",
    ):
        assert words in page
    assert "Enter at least one part of the order." in text(ines.post(url, sent(("", "", ""))))
    twice = text(ines.post(url, sent(rows[0], ("", "", ""), rows[0])))
    assert "Part 3, part : A7032 is on the order already." in twice
    assert not Order.objects.exists()


def test_the_parts_of_the_last_order_stand_in_the_form(cast: Cast, ines: Client) -> None:
    url = at("order_new", cast.odalys.public_id)
    empty = ines.get(url)
    assert len(empty.context["rows"].forms) == 5
    assert "The parts of the last order stand here already" not in text(empty)
    make_order(cast.odalys)
    make_order(cast.odalys, prescriber_name="Dr. Wrong", voided_at=NOW, void_reason="another patient's")
    page = ines.get(url)
    assert "The parts of the last order stand here already" in text(page)
    assert page.context["form"]["prescriber_name"].value() == "Dr. Test"
    assert [form["part_code"].value() for form in page.context["rows"]] == ["A7032", None]


def test_a_row_more_keeps_what_was_typed_and_records_nothing(cast: Cast, ines: Client) -> None:
    url = at("order_new", cast.odalys.public_id)
    page = ines.post(url, sent(("A7032", "6", "x"), prescriber_npi="12") | {"more": "1"})
    assert page.status_code == 200
    assert [form["period_months"].value() for form in page.context["rows"]] == ["x", None]
    assert page.context["form"]["prescriber_npi"].value() == "12"
    assert not Order.objects.exists()
    assert ines.post(url, {"more": "1", "rows-TOTAL_FORMS": "99999999"}).status_code == 200


def test_a_device_is_recorded_and_voided(cast: Cast, ines: Client) -> None:
    url = at("device_new", cast.odalys.public_id)
    device = {
        "description": "Auto-adjusting device", "serial": "S-1", "supplied_on": "2026-03-10",
        "pressure_low": "6", "pressure_high": "14.5", "humidifier": "heated",
    }  # fmt: skip
    refused = ines.post(url, device | {"pressure_high": "35"})
    assert refused.status_code == 422
    assert "Enter the prescribed pressure in cmH2O, from 4 to 30." in text(refused)
    assert 'value="Auto-adjusting device"' in refused.content.decode()
    assert not Device.objects.exists()
    ines.post(url, device)
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "Auto-adjusting device, serial S-1, since Tue 10 Mar" in page
    assert "6.0 to 14.5 cmH2O" in page
    assert "is on record already" in text(ines.post(url, device))
    made = Device.objects.get()
    assert ines.post(at("device_void", made.public_id), {"reason": ""}).status_code == 422
    ines.post(at("device_void", made.public_id), {"reason": "wrong patient"})
    listed = text(ines.get(at("equipment", cast.odalys.public_id)))
    assert "voided Wed 18 Mar, 09:00 by ines: wrong patient" in listed
    assert "serial S-1" not in text(ines.get(at("patient", cast.odalys.public_id)))


def test_an_order_is_voided_with_a_reason(cast: Cast, ines: Client) -> None:
    order = make_order(cast.odalys)
    assert ines.post(at("order_void", order.public_id), {"reason": " "}).status_code == 422
    ines.post(at("order_void", order.public_id), {"reason": "written for another"})
    order.refresh_from_db()
    assert (order.is_voided, order.voided_by) == (True, cast.desk.user)
    assert "written for another" in text(ines.get(at("equipment", cast.odalys.public_id)))


def test_another_rooms_records_are_not_there(cast: Cast, ines: Client) -> None:
    order, device = make_order(cast.tevin), make_device(cast.tevin)
    for address in (at("order_void", order.public_id), at("device_void", device.public_id)):
        assert ines.get(address).status_code == 404
        assert ines.post(address, {"reason": "x"}).status_code == 404
    assert ines.post(at("order_new", cast.tevin.public_id), sent(("A7032", "6", "3"))).status_code == 404
    assert not Order.objects.get().is_voided
    assert not Device.objects.get().is_voided


def test_the_same_queries_for_one_and_for_thirty(cast: Cast, ines: Client) -> None:
    counts = []
    for number in (1, 29):
        for _ in range(number):
            make_order(cast.odalys, recorded_by=cast.desk.user)
            make_device(cast.odalys, voided_by=cast.desk.user, voided_at=NOW, void_reason="x")
        with CaptureQueriesContext(connection) as queries:
            assert ines.get(at("equipment", cast.odalys.public_id)).status_code == 200
        counts.append(len(queries))
    assert counts[0] == counts[1]
