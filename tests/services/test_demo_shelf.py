"""The demo's shelf and recalls: a fit pack, a cradle with its note, magnets of each sort, a recalled lot."""

from resupply.models import CatalogueItem, Patient
from resupply.queries import recalls
from tests.demo_days import USUAL, DemoOn


def test_the_shelf_shows_what_a_catalogue_can_hold(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    shelf = CatalogueItem.objects.all()
    assert {item.magnetic for item in shelf} == {"yes", "no", "unknown"}
    assert shelf.exclude(pack_sizes=[]).filter(contains=[]).exists()
    assert shelf.exclude(pack_sizes=[]).exclude(contains=[]).exists()
    cradles = shelf.exclude(code_note="")
    assert {(item.kind, item.part_code) for item in cradles} == {("cushion", "A7032")}
    assert shelf.exclude(hibc="").count() == 1
    assert shelf.filter(is_offered=False).count() == 1


def test_a_recalled_lot_is_held_and_was_not_given_since(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    lot, lifted = recalls.all_recalls()
    assert (lot.is_voided, lifted.is_voided) == (False, True)
    lines, _ = recalls.named_lines(lot, among=Patient.objects.all(), today=USUAL, page=1)
    assert {row.line.lot for row in lines} == {lot.lot}
    assert any(row.holds for row in lines)
    assert max(row.line.dispense.dispensed_on for row in lines) < lot.issued_on
