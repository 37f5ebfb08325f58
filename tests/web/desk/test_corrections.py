"""Voids with their undo, exchanges, parcels: through the pages, with what they refuse and keep."""

import re
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from resupply.models import Dispense, DispenseLine, Location, StockLevel
from resupply.services import stocking
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.shelves import StockLine
from tests.builders import NOW, TODAY, make_dispense, make_item
from tests.cast import Cast
from tests.web.pages import text


@pytest.fixture(autouse=True)
def clock(settings: Any) -> Any:
    settings.SESSION_IDLE_MINUTES = 60  # somebody waits for a quarter of an hour here
    with time_machine.travel(NOW, tick=False) as stopped:
        yield stopped


@pytest.fixture
def line(cast: Cast) -> DispenseLine:
    """Three cushions of size M from the shelf of the North room, where three L are left too."""
    medium, large = make_item(name="Cushion", size="M"), make_item(name="Cushion", size="L")
    goods = [StockLine(item=item, quantity=5, lot=f"LOT-{item.size}") for item in (medium, large)]
    stocking.receive(location=cast.north, lines=goods, received_on=TODAY, by=None, now=NOW)
    new = NewLine(item=medium, quantity=3, lot="LOT-M")
    return record_dispense(
        patient=cast.odalys, location=Location.objects.get(pk=cast.north.pk), dispensed_on=TODAY,
        lines=[new], by=cast.desk.user, now=NOW,
    ).lines.get()  # fmt: skip


def of(name: str, line: DispenseLine) -> str:
    """An address about a line or its dispense."""
    args: list[object] = [line.dispense.public_id]
    return reverse(f"desk:{name}", args=[*args, line.position] if name.startswith("line") else args)


def on_hand(size: str) -> int:
    return StockLevel.objects.get(item__size=size).on_hand


@pytest.mark.parametrize(("void", "undo"), [("dispense_void", "dispense_undo"), ("line_void", "line_undo")])
def test_a_void_offers_its_undo_as_a_button(ines: Client, line: DispenseLine, void: str, undo: str) -> None:
    page = ines.post(of(void, line), {"reason": "slip", "parts": "shelf"}, follow=True)
    assert on_hand("M") == 5
    form = re.search(r'<form class="undo" method="post" action="([^"]+)">(.*?)</form>', page.content.decode())
    assert form
    assert form[1] == of(undo, line)
    assert "csrfmiddlewaretoken" in form[2]
    done = text(ines.post(form[1], follow=True))
    assert "The void is undone" in done
    line.refresh_from_db()
    assert (line.is_voided, line.dispense.is_voided, on_hand("M")) == (False, False, 2)


def test_where_parts_go_is_asked_only_where_stock_is_tracked(
    cast: Cast, ines: Client, line: DispenseLine
) -> None:
    asked = text(ines.get(of("dispense_void", line)))
    assert "Discarded: opened or used, so they go to nobody else" in asked
    assert 'value="discarded" checked' in re.sub(
        r'(value="discarded")[^>]*(checked)', r"\1 \2", ines.get(of("dispense_void", line)).content.decode()
    )
    Location.objects.update(tracks_stock=False)
    assert "Discarded" not in text(ines.get(of("dispense_void", line)))
    ines.post(of("dispense_void", line), {"reason": "slip"})
    assert on_hand("M") == 2


def test_after_the_window_the_undo_says_what_to_do_instead(
    ines: Client, line: DispenseLine, clock: Any
) -> None:
    ines.post(of("dispense_void", line), {"reason": "slip"})
    assert "Undo the void" in text(ines.get(of("slip", line)))
    clock.shift(timedelta(minutes=15, seconds=1))
    assert "Undo the void" not in text(ines.get(of("slip", line)))
    late = ines.post(of("dispense_undo", line))
    assert late.status_code == 422
    assert "A void can be undone for 15 minutes." in text(late)
    assert "log the dispense again" in text(late)
    line.refresh_from_db()
    assert line.is_voided


def test_an_exchange_leads_to_its_own_slip(ines: Client, line: DispenseLine) -> None:
    large = make_item(name="Cushion", size="XL")
    sent = {
        "item": str(large.pk), "reason": "too small", "on": TODAY.isoformat(), "parts": "shelf", "lot": "X1",
        "allow_short": "on",
    }  # fmt: skip
    page = ines.post(of("line_exchange", line), sent, follow=True)
    new = DispenseLine.objects.get(exchange_of=line)
    assert page.redirect_chain == [(of("slip", new), 302)]
    assert f"Have slip {new.dispense.number} signed." in text(page)
    assert f"for the one on slip {line.dispense.number}" in text(page)
    assert f"see slip {new.dispense.number}" in text(ines.get(of("slip", line)))
    assert on_hand("M") == 5


def test_a_refused_exchange_keeps_what_was_typed_and_writes_nothing(ines: Client, line: DispenseLine) -> None:
    large = make_item(name="Cushion", size="XL")
    sent = {"item": str(large.pk), "reason": "too small", "on": TODAY.isoformat(), "lot": "LOT-TYPED"}
    page = ines.post(of("line_exchange", line), sent)
    assert page.status_code == 422
    assert b'value="LOT-TYPED"' in page.content
    assert "Nothing has been saved" in text(page)
    line.refresh_from_db()
    assert (line.is_voided, Dispense.objects.count(), on_hand("M")) == (False, 1, 2)


def test_the_expiry_of_a_lot_is_taken_from_stock(cast: Cast, ines: Client, line: DispenseLine) -> None:
    item, on = make_item(name="Cushion", size="S"), date(2028, 5, 1)
    goods = [StockLine(item=item, quantity=3, lot="LOT-S", expires_on=on)]
    stocking.receive(location=cast.north, lines=goods, received_on=TODAY, by=None, now=NOW)
    sent = {"item": str(item.pk), "reason": "too large", "on": TODAY.isoformat(), "lot": "lot-s"}
    ines.post(of("line_exchange", line), sent)
    assert DispenseLine.objects.get(exchange_of=line).expires_on == on
    assert StockLevel.objects.get(lot="LOT-S").on_hand == 0


def test_only_the_same_kind_is_offered(ines: Client, line: DispenseLine) -> None:
    make_item(name="Headgear H", kind="headgear", part_code="A7035")
    make_item(name="Cushion", size="S", is_offered=False)
    page = text(ines.get(of("line_exchange", line)))
    assert "Cushion, L" in page
    assert "Headgear H" not in page
    assert "Cushion, S" not in page


@pytest.mark.parametrize(("what", "left"), [("undelivered", 5), ("lost", 2)])
def test_a_parcel_that_did_not_arrive(ines: Client, line: DispenseLine, what: str, left: int) -> None:
    Dispense.objects.update(given="shipped", tracking_id="PP-1")
    sent = {"parcel": what, "on": TODAY.isoformat(), "parts": "shelf"}
    page = text(ines.post(of("parcel", line), sent, follow=True))
    assert "The refill is open again." in page
    assert "Undo the void" in page
    assert on_hand("M") == left
    label = {"undelivered": "Came back undelivered", "lost": "Lost on the way"}[what]
    assert label in text(ines.get(of("slip", line)))


def test_a_parcel_day_is_checked_and_kept(ines: Client, line: DispenseLine) -> None:
    Dispense.objects.update(given="shipped")
    page = ines.post(of("parcel", line), {"parcel": "lost", "on": "2026-03-19"})
    assert page.status_code == 422
    assert "has not come yet" in text(page)
    assert b'value="2026-03-19"' in page.content


def test_what_was_handed_over_offers_no_parcel(cast: Cast, ines: Client, line: DispenseLine) -> None:
    assert "Parcel not delivered" not in text(ines.get(of("slip", line)))
    parcel = make_dispense(cast.odalys, given="shipped").lines.get()
    assert "Parcel not delivered" in text(ines.get(of("slip", parcel)))
