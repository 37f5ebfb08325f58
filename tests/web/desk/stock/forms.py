"""What the pages of stock are sent, and what they show."""

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

from resupply.models import CatalogueItem, Location, StockLevel
from resupply.web.desk.stock.forms import LotKey
from tests.builders import TODAY, make_movement

FDA = "51022222233336"
"""GTIN of the example in FDA, "UDI formats by FDA-Accredited Issuing Agency", v1.3, 2017-01-27."""

LABEL = f"01{FDA}1727063010A213B1"
LATER, SOON, GONE = date(2027, 6, 30), TODAY + timedelta(days=20), TODAY - timedelta(days=1)


def on_hand(item: CatalogueItem, lot: str) -> int:
    return StockLevel.objects.get(item=item, lot=lot).on_hand


def receipt(place: Location, *rows: dict[str, object], **over: object) -> dict[str, object]:
    """What the form sends: by the scanner's Enter, unless `post` is in `over`."""
    data: dict[str, object] = {
        "location": place.pk,
        "received_on": "2026-03-18",
        "note": "",
        "form_key": str(uuid4()),
        "rows-TOTAL_FORMS": len(rows),
        "rows-INITIAL_FORMS": 0,
        "scan": "",
    }
    for position, row in enumerate(rows):
        data |= {f"rows-{position}-{name}": value for name, value in row.items()}
    return data | over


def shown(answer: Any) -> list[dict[str, Any]]:
    """The rows of the form that comes back, those that say something."""
    rows = [{name: form[name].value() or "" for name in form.fields} for form in answer.context["rows"]]
    return [row for row in rows if any(row.values())]


def sheet(*rows: tuple[StockLevel, object], **over: object) -> dict[str, object]:
    """What a sheet of these levels sends, with numbers beside them."""
    data: dict[str, object] = {"lots-TOTAL_FORMS": len(rows), "lots-INITIAL_FORMS": 0, "scan": ""}
    for position, (level, number) in enumerate(rows):
        key = LotKey(level.item_id, level.expires_on, level.on_hand, level.lot)
        data |= {f"lots-{position}-key": str(key), f"lots-{position}-number": number}
    return data | {"form_key": str(uuid4())} | over


def level_of(item: CatalogueItem, place: Location, lot: str, quantity: int = 5, **over: Any) -> StockLevel:
    make_movement(item, place, lot=lot, quantity=quantity, **over)
    return StockLevel.objects.get(item=item, location=place, lot=lot)


def count_data(
    *rows: tuple[StockLevel, object], found: list[dict[str, object]] | None = None, **over: object
) -> Any:
    data = sheet(*rows, counted_on="2026-03-18", note="", shown="")
    lots = found or []
    data |= {"found-TOTAL_FORMS": len(lots), "found-INITIAL_FORMS": 0}
    for position, row in enumerate(lots):
        data |= {f"found-{position}-{name}": value for name, value in row.items()}
    return data | over
