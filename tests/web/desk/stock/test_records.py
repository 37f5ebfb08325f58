"""Movements voided, targets and the switch, back orders."""

import re
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import BackOrder, CatalogueItem, Location, StockTarget
from resupply.web.desk.stock import settings
from tests.builders import make_back_order, make_item, make_movement, make_patient
from tests.cast import Cast
from tests.web.desk.stock.forms import on_hand
from tests.web.pages import text


def test_a_movement_is_voided_with_a_reason(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    movement = make_movement(cushion, north, quantity=30)
    address = reverse("stock:movement_void", args=[movement.public_id])
    assert "Void: received, +30" in text(ines.get(address))
    assert ines.post(address, {"reason": ""}).status_code == 422
    ines.post(address, {"reason": "it was 3"})
    assert on_hand(cushion, "L1") == 0
    ledger = text(ines.get(reverse("stock:ledger", args=[cushion.public_id])))
    assert "by ines: it was 3" in ledger
    assert "already" in text(ines.post(address, {"reason": "again"}))


def test_targets_are_for_leads(cast: Cast, north: Location, marta: Client, cushion: CatalogueItem) -> None:
    other = make_item(name="Other")
    address = f"{reverse('stock:settings')}?location={north.pk}"
    data: dict[str, object] = {"targets-TOTAL_FORMS": 2, "targets-INITIAL_FORMS": 0}
    for place, (item, low_at, up_to) in enumerate([(cushion, 2, 12), (other, "", "")]):
        data |= {
            f"targets-{place}-item": item.pk,
            f"targets-{place}-low_at": low_at,
            f"targets-{place}-order_up_to": up_to,
        }
    assert marta.post(address, data).status_code == 302
    assert StockTarget.objects.values_list("item__name", "low_at", "order_up_to").get() == (
        "Nasal cushion",
        2,
        12,
    )
    bad = marta.post(address, data | {"targets-1-low_at": 5, "targets-1-order_up_to": 5})
    assert (bad.status_code, "Order up to more than the number" in text(bad)) == (422, True)
    typed = re.findall(r'name="targets-1-(\w+)" value="5"', bad.content.decode())
    assert typed == ["low_at", "order_up_to"]
    client = Client()
    client.force_login(cast.desk.user)
    assert client.post(address, data).status_code == 403


def test_the_switch_is_for_leads(cast: Cast, north: Location, marta: Client) -> None:
    address = f"{reverse('stock:settings')}?location={north.pk}"
    marta.post(address, {"track": "off"})
    assert not Location.objects.get(pk=north.pk).tracks_stock
    assert Location.objects.get(pk=cast.south.pk).tracks_stock
    marta.post(address, {"track": "on"})
    assert Location.objects.get(pk=north.pk).tracks_stock


def test_more_items_than_a_form_takes_are_narrowed_by_part(
    cast: Cast, marta: Client, cushion: CatalogueItem, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_item(name="Tube", kind="tubing", part_code="A7037")
    assert "Narrow the list" not in text(marta.get(reverse("stock:settings")))
    monkeypatch.setattr(settings, "MOST_TARGETS", 1)
    page = marta.get(reverse("stock:settings"))
    assert "The first 1 items. Narrow the list to one part for the rest." in text(page)
    assert len(page.context["rows"]) == 1
    assert "Tube" in text(marta.get(reverse("stock:settings"), {"kind": "tubing"}))


def test_a_back_order_from_first_to_last(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    new = reverse("stock:back_order_new", args=[cast.odalys.public_id])
    data = {
        "part": f"item:{cushion.pk}", "quantity": 2, "location": cast.north.pk, "expected_on": "2026-03-25",
        "note": "will collect",
    }  # fmt: skip
    past = ines.post(new, data | {"expected_on": "2026-03-17"})
    assert (past.status_code, "has passed" in text(past)) == (422, True)
    ines.post(new, data)
    order = BackOrder.objects.get()
    assert (order.kind, order.part_code, order.quantity, order.expected_on) == (
        "cushion",
        "A7032",
        2,
        date(2026, 3, 25),
    )
    assert "There is an open back order of this part already." in text(ines.post(new, data))
    listed = text(ines.get(reverse("stock:back_orders")))
    assert (
        "Odalys Brandt born 4 Feb 1961 · ref 1047 Nasal cushion, M 2 North room Wed 18 Mar Wed 25 Mar"
        in listed
    )
    BackOrder.objects.update(location=cast.south)  # to be had there; the patient is of the North room
    assert "Odalys Brandt" in text(ines.get(reverse("stock:back_orders")))
    southern = make_back_order(make_patient(location=cast.south), location=cast.north)
    assert southern.patient.name not in text(ines.get(reverse("stock:back_orders")))
    ines.post(reverse("stock:back_order", args=[order.public_id]), {"expected_on": ""})
    order.refresh_from_db()
    assert order.expected_on is None
    ines.post(reverse("stock:back_order_void", args=[order.public_id]), {"reason": "not wanted"})
    assert "Nobody waits for parts." in text(ines.get(reverse("stock:back_orders")))
    closed = ines.post(reverse("stock:back_order", args=[order.public_id]), {"expected_on": "2026-04-01"})
    assert "not open any more" in text(closed)
