"""Move and discard: sheets of the shelf."""

from django.test import Client
from django.urls import reverse

from resupply.models import CatalogueItem, Location, StockLevel, StockMovement
from tests.cast import Cast
from tests.web.desk.stock.forms import FDA, GONE, LABEL, LATER, level_of, on_hand, sheet
from tests.web.pages import text


def test_parts_move_to_another_room(
    cast: Cast, north: Location, marta: Client, cushion: CatalogueItem
) -> None:
    level = level_of(cushion, north, "A:1")  # a colon within the lot
    address = f"{reverse('stock:move')}?location={north.pk}"
    data = sheet((level, 2), target=cast.south.pk, moved_on="2026-03-18", note="", post="1")
    answer = marta.post(address, data)
    assert answer["Location"] == f"{reverse('stock:shelves')}?location={north.pk}"
    assert dict(StockLevel.objects.values_list("location__name", "on_hand")) == {
        "North room": 3,
        "South room": 2,
    }
    marta.post(address, data)  # the button pressed twice
    assert StockMovement.objects.filter(movement="moved").count() == 2


def test_too_many_to_move_are_refused_at_their_line(
    cast: Cast, north: Location, marta: Client, cushion: CatalogueItem
) -> None:
    first, second = level_of(cushion, north, "A"), level_of(cushion, north, "B", 1)
    data = sheet((first, 2), (second, 3), target=cast.south.pk, moved_on="2026-03-18", note="kept", post="1")
    answer = marta.post(f"{reverse('stock:move')}?location={north.pk}", data)
    assert answer.status_code == 422
    assert "Only 1 of these is on the shelf" in text(answer)
    assert [row.form["number"].value() for row in answer.context["sheet"].rows] == ["2", "3"]
    assert not StockMovement.objects.filter(movement="moved").exists()


def test_one_room_has_nowhere_to_move_to(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    """Ines works in the North room only."""
    level_of(cushion, north, "A")
    assert "There is no other location to move parts to." in text(ines.get(reverse("stock:move")))


def test_a_scan_counts_into_its_lot_of_the_sheet(
    north: Location, ines: Client, cushion: CatalogueItem
) -> None:
    levels = [level_of(cushion, north, "A213B1", expires_on=LATER), level_of(cushion, north, "B2")]
    address = reverse("stock:discard")

    def numbers(scan: str, *typed: object) -> list[object]:
        answer = ines.post(address, sheet(*zip(levels, typed, strict=True), scan=scan))
        return [row.form["number"].value() for row in answer.context["sheet"].rows]

    assert numbers(LABEL, "", "4") == ["1", "4"]
    assert numbers(LABEL, "1", "") == ["2", ""]
    assert numbers(f"01{FDA}10b2", "", "") == ["", "1"]
    assert numbers(f"01{FDA}", "", "7") == ["", "7"]  # which lot, the code does not say
    answer = ines.post(address, sheet((levels[0], ""), scan=f"01{FDA}10C9"))
    assert "Nasal cushion, M of this lot is not on this sheet" in text(answer)
    assert not StockMovement.objects.filter(movement="discarded").exists()


def test_discarding_says_why(north: Location, ines: Client, cushion: CatalogueItem) -> None:
    level = level_of(cushion, north, "X", expires_on=GONE)
    address = reverse("stock:discard")
    page = text(ines.get(address))
    assert "as their instructions and local codes say" in page
    answer = ines.post(address, sheet((level, 5), reason="", discarded_on="2026-03-18", post="1"))
    assert (answer.status_code, "Say why: the reason stays on record." in text(answer)) == (422, True)
    ines.post(address, sheet((level, 5), reason="expired", discarded_on="2026-03-18", post="1"))
    assert on_hand(cushion, "X") == 0
    assert "expired" in text(ines.get(reverse("stock:ledger", args=[cushion.public_id])))
