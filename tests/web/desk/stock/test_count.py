"""Count: differences are seen before they are recorded, and what moved is counted again."""

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import CatalogueItem, Location, StockCount
from tests.builders import make_movement
from tests.web.desk.stock.forms import FDA, LABEL, count_data, level_of, on_hand
from tests.web.pages import text


def test_differences_are_shown_before_they_are_recorded(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 3)
    address = reverse("stock:count")
    found: list[dict[str, object]] = [{"item": cushion.pk, "lot": "NEW", "expires_on": "", "quantity": 2}]
    data = count_data((first, 4), (second, 3), found=found)
    too_early = ines.post(address, data | {"record": "1"})
    assert "2 lines differ. Nothing is recorded yet." in text(too_early)
    look = ines.post(address, data | {"check": "1"})
    assert look.status_code == 200
    assert "Nasal cushion, M, lot A: 4 counted, 5 expected (−1)" in text(look)
    assert "Nasal cushion, M, lot NEW: 2 counted, 0 expected (+2)" in text(look)
    assert not StockCount.objects.exists()
    shown_mark = look.context["form"]["shown"].value()
    changed = count_data((first, 1), (second, 3), found=found) | {"record": "1", "shown": shown_mark}
    assert "1 counted, 5 expected" in text(ines.post(address, changed))
    assert not StockCount.objects.exists()
    done = ines.post(address, data | {"record": "1", "shown": shown_mark, "note": "Friday"})
    assert done.status_code == 302
    assert (on_hand(cushion, "A"), on_hand(cushion, "B"), on_hand(cushion, "NEW")) == (4, 3, 2)
    assert StockCount.objects.get().note == "Friday"
    assert "Count of North room recorded: 2 differences." in text(ines.get(done["Location"]))


def test_a_number_typed_with_a_point_is_the_number(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    data = count_data((level_of(cushion, north, "A"), "4.0"), (level_of(cushion, north, "B", 3), ""))
    look = ines.post(reverse("stock:count"), data | {"check": "1"})
    assert "lot A: 4 counted, 5 expected (−1)" in text(look)


def test_what_moved_is_flagged_and_everything_typed_stays(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 3)
    address = reverse("stock:count")
    found: list[dict[str, object]] = [
        {"item": cushion.pk, "lot": "C", "expires_on": "", "quantity": 1},
        {"item": cushion.pk, "lot": "D", "expires_on": "", "quantity": 6},
    ]
    data = count_data((first, 4), (second, 2), found=found, note="kept")
    mark = ines.post(address, data | {"check": "1"}).context["form"]["shown"].value()
    make_movement(cushion, north, lot="A", quantity=-1, movement="dispensed")
    make_movement(cushion, north, lot="C", quantity=4)
    answer = ines.post(address, data | {"record": "1", "shown": mark})
    assert answer.status_code == 422
    rows = answer.context["sheet"].rows
    assert [(row.key.lot, row.key.expected, row.form["number"].value(), bool(row.note)) for row in rows] == [
        ("A", 4, "4", True), ("B", 3, "2", False), ("C", 4, "1", True),
    ]  # fmt: skip
    assert (
        "Stock moved here while you counted: 4 expected now, 5 on your sheet. Count this line again."
        in text(answer)
    )
    kept = [form["lot"].value() for form in answer.context["found"] if form["lot"].value()]
    assert (kept, answer.context["form"]["note"].value()) == (["D"], "kept")
    assert not StockCount.objects.exists()
    again = {
        f"lots-{place}-{name}": row.form[name].value()
        for place, row in enumerate(rows)
        for name in ("key", "number")
    }
    data |= again | {"lots-TOTAL_FORMS": 3, "found-TOTAL_FORMS": 1, "found-0-lot": "D", "found-0-quantity": 6}
    mark = ines.post(address, data | {"check": "1"}).context["form"]["shown"].value()
    assert ines.post(address, data | {"record": "1", "shown": mark}).status_code == 302
    assert [on_hand(cushion, lot) for lot in "ABCD"] == [4, 2, 1, 6]


@pytest.mark.parametrize("number", ["-1", "many", "5001"])
def test_a_number_that_is_none_is_refused_at_its_line(
    north: Location, ines: Client, cushion: CatalogueItem, number: str
) -> None:
    rows = (level_of(cushion, north, "A"), number), (level_of(cushion, north, "B"), "2")
    look = ines.post(reverse("stock:count"), count_data(*rows) | {"check": "1"})
    assert [row.form["number"].value() for row in look.context["sheet"].rows] == [number, "2"]
    assert not StockCount.objects.exists()
    assert look.status_code == 422


def test_an_empty_count_is_refused_and_a_count_without_differences_is_recorded(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    level, address = level_of(cushion, north, "A"), reverse("stock:count")
    assert "Enter a number for at least one part." in text(
        ines.post(address, count_data((level, "")) | {"check": "1"})
    )
    look = ines.post(address, count_data((level, 5)) | {"check": "1"})
    assert "Everything counted is as expected." in text(look)
    mark = look.context["form"]["shown"].value()
    ines.post(address, count_data((level, 5)) | {"record": "1", "shown": mark})
    assert StockCount.objects.get().movements.count() == 0


def test_scans_count_a_sheet_and_what_is_not_on_it(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    level = level_of(cushion, north, "B2")
    answer = ines.post(reverse("stock:count"), count_data((level, "1"), scan=f"01{FDA}10B2"))
    assert answer.context["sheet"].rows[0].form["number"].value() == "2"
    answer = ines.post(reverse("stock:count"), count_data((level, "1"), scan=LABEL))
    assert "is not on the sheet: added below" in text(answer)
    first = next(iter(answer.context["found"]))
    assert (first["lot"].value(), first["quantity"].value()) == ("A213B1", "1")
