"""Two people add an item at once, on two real connections: the second is told, after every check passed."""

import threading
from typing import Any

import pytest
from django.db import connections, transaction

from resupply.models import CatalogueItem
from resupply.services import catalogue
from resupply.services.catalogue import ItemDetails
from resupply.services.errors import Refused
from tests.builders import NOW, make_item
from tests.waiting import wait_for_a_waiter

pytestmark = pytest.mark.django_db(transaction=True)

GTIN = "06291041500213"


@pytest.mark.parametrize(
    ("first", "second", "code"),
    [
        ({"name": "Cushion"}, {"name": "Cushion"}, "item_twice"),
        ({"name": "One", "gtin": GTIN}, {"name": "Two", "gtin": GTIN}, "gtin_taken"),
        ({"name": "One", "hibc": "A123BJC5D6E7"}, {"name": "Two", "hibc": "+A123BJC5D6E71G"}, "hibc_taken"),
    ],
)
def test_the_second_is_told(first: dict[str, Any], second: dict[str, Any], code: str) -> None:
    said: list[str] = []

    def add() -> None:
        try:
            catalogue.add_item(ItemDetails(part_code="A7032", **second), by=None, now=NOW)
        except Refused as refusal:
            said.append(refusal.code)
        finally:
            connections.close_all()

    with transaction.atomic():
        make_item(**first)  # not committed: the second's checks cannot see it, its insert has to wait
        thread = threading.Thread(target=add)
        thread.start()
        wait_for_a_waiter()
    thread.join(30)
    assert said == [code]
    assert CatalogueItem.objects.count() == 1
