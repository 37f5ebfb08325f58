"""Stock at the desk on 2026-03-18: who is signed in, a room that tracks stock, an item with a number.

Models can be imported only once the settings are loaded, so fixtures import what they need.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
import time_machine

if TYPE_CHECKING:
    from resupply.models import CatalogueItem, Location
    from tests.cast import Cast


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    """It is 2026-03-18, 15:00 UTC: morning in both rooms."""
    from tests.builders import NOW

    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cushion(db: None) -> "CatalogueItem":
    """A cushion with a number."""
    from tests.builders import make_item
    from tests.web.desk.stock.forms import FDA

    return make_item(name="Nasal cushion", size="M", gtin=FDA)


@pytest.fixture
def north(cast: "Cast") -> "Location":
    """The North room; both rooms track stock."""
    from resupply.models import Location

    Location.objects.update(tracks_stock=True)
    cast.north.refresh_from_db()
    return cast.north
