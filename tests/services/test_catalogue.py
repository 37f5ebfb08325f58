"""Items of the shelf: what may be one, numbers with their check digits, and who changed what."""

from typing import Any

import pytest

from resupply.models import CatalogueItem, DispenseLine
from resupply.queries import catalogue as shelf
from resupply.queries.catalogue import CatalogueFilter
from resupply.rules.kinds import Kind
from resupply.rules.tables import BillingUnit, part_types
from resupply.services import catalogue
from resupply.services.catalogue import ItemDetails
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_item, make_matching_version
from tests.cast import Cast

pytestmark = pytest.mark.django_db

GTIN = "6291041500213"
"""gs1.org, worked example of its check digit calculator."""


def add(**over: Any) -> CatalogueItem:
    values: dict[str, Any] = {"name": "Nasal cushion", "part_code": "A7032", "magnetic": "no"}
    return catalogue.add_item(ItemDetails(**values | over), by=None, now=NOW)


def refused(**over: Any) -> Refused:
    before = CatalogueItem.objects.count()
    with pytest.raises(Refused) as found:
        add(**over)
    assert CatalogueItem.objects.count() == before
    return found.value


# --- published values -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "unit", "kind"),
    [
        ("A7032", BillingUnit.EACH, Kind.CUSHION),
        ("A7033", BillingUnit.PAIR, Kind.CUSHION),
        ("A7034", BillingUnit.EACH, Kind.MASK),
    ],
)
def test_the_pair_rule_of_nasal_interfaces(code: str, unit: BillingUnit, kind: Kind) -> None:
    """DME MAC article "CPAP and RAD - Nasal Interfaces" (2005, revised 2013): two separate pillows are one
    unit of A7033, and one piece with two nostril protrusions is one unit; a cushion around the nostrils is
    A7032. The item says its code; its unit and kind follow from the table.
    """
    item = add(part_code=code)
    part = part_types()[item.part_code]
    assert (part.unit, item.kind) == (unit, kind)
    assert "Nasal Interfaces" in part.source


def test_a_cradle_may_have_either_code_with_its_reason() -> None:
    """No ruling was seen on a one-piece cradle under the nose (the wording fits A7032): the clinic says."""
    for code, note in (("A7032", "does not enter the nostrils"), ("A7033", "as Payer C wants it")):
        item = add(name=f"Cradle cushion {code}", part_code=code, code_note=f" {note} ")
        assert (item.part_code, item.code_note) == (code, note)


def test_a_gtin_is_kept_with_14_digits() -> None:
    assert add(gtin=GTIN).gtin == "06291041500213"
    assert add(name="Other", gtin="(01)51022222233336(10)A213B1").gtin == "51022222233336"  # FDA example


def test_a_wrong_check_digit_is_named() -> None:
    refusal = refused(gtin="629104150021 5")
    assert (refusal.code, refusal.field) == ("gtin", "gtin")
    assert "629104150021 would end in 3, not in 5" in refusal.message


def test_zeros_and_other_lengths_are_no_gtin() -> None:
    assert "zeros" in refused(gtin="00000000000000").message
    assert "8, 12, 13 or 14 digits" in refused(gtin="123456789").message
    assert "holds no GTIN" in refused(gtin="no number").message


def test_a_gtin_in_use_names_its_item() -> None:
    add(gtin=GTIN, size="M")
    refusal = refused(name="Another", gtin=f"0{GTIN}")
    assert refusal.code == "gtin_taken"
    assert "belongs to “Nasal cushion, M” (A7032)" in refusal.message
    CatalogueItem.objects.update(is_offered=False)
    assert "no longer offered" in refused(name="Another", gtin=GTIN).message


def test_an_hibc_code_is_kept_as_labeler_and_product() -> None:
    item = add(hibc="+A123BJC5D6E71G")  # example of ANSI/HIBC (from memory; its check character computed)
    assert item.hibc == "A123BJC5D6E7"
    same = catalogue.change_item(
        item, ItemDetails(name="Nasal cushion", part_code="A7032", hibc="A123BJC5D6E7"), by=None, now=NOW
    )
    assert same.hibc == "A123BJC5D6E7"
    assert refused(name="Other", hibc="+A123BJC5D6E71G").code == "hibc_taken"
    assert "would end in “G”" in refused(name="Other", hibc="+A123BJC5D6E71H").message
    assert refused(name="Other", hibc="A123BJC5D6E8").code == "hibc"


# --- what an item may be ----------------------------------------------------------------


def test_the_kind_follows_from_the_code() -> None:
    assert {add(name=code, part_code=code).kind for code in ("A7038", "A7046")} == {
        "filter_disposable",
        "chamber",
    }
    assert refused(part_code="E0601").code == "unknown_code"
    assert refused(part_code="").field == "part_code"


def test_a_name_and_size_stand_once() -> None:
    add(size="M")
    add(size="L")
    assert refused(name=" nasal  CUSHION ", size="m").code == "item_twice"
    assert refused(name="  ").code == "name_missing"


def test_a_family_has_one_spelling() -> None:
    item = add(family=" Aspen ")
    assert item.family == "Aspen"
    refusal = refused(name="Other", family="ASPEN")
    assert (refusal.code, refusal.field) == ("family_spelling", "family")
    assert "“Aspen”" in refusal.message
    alone = catalogue.change_item(
        item, ItemDetails(name="Nasal cushion", part_code="A7032", family="aspen"), by=None, now=NOW
    )
    assert alone.family == "aspen"


def test_only_masks_contain_parts_and_no_masks() -> None:
    mask = add(name="Complete", part_code="A7034", contains=("A7032", "A7035", "A7032"))
    assert mask.contains == ["A7032", "A7035"]
    assert refused(contains=("A7035",)).code == "contains"
    assert refused(part_code="A7034", contains=("A7030",)).code == "contains"
    assert refused(part_code="A7034", contains=("X1",)).code == "contains"


def test_only_masks_have_a_style_and_one_of_the_list() -> None:
    assert add(name="Frame", part_code="A7034", style="nasal_cradle").style == "nasal_cradle"
    assert add(name="Oral mask", part_code="A7044").style == ""
    assert refused(name="Other", part_code="A7034", style="invisible").code == "style"
    assert refused(style="nasal").code == "style"


def test_a_style_is_one_of_the_table_in_force() -> None:
    before = add(name="Frame", part_code="A7034", style="nasal_cradle")
    shipped_styles = '[[style]]\nid = "wide"\nname = "Wide"\nabout = ""\n'
    make_matching_version(table=shipped_styles, effective_from=TODAY)
    assert add(name="Wide mask", part_code="A7034", style="wide").style == "wide"
    assert refused(name="Other", part_code="A7034", style="nasal").code == "style"
    kept = catalogue.change_item(
        before, ItemDetails(name="Frame B", part_code="A7034", style="nasal_cradle"), by=None, now=NOW
    )
    assert (kept.name, kept.style) == ("Frame B", "nasal_cradle")
    assert catalogue.styles_offered(None, now=NOW) == {"wide": "Wide"}


@pytest.mark.parametrize(("field", "most"), [("name", 120), ("family", 60), ("size", 20), ("code_note", 300)])
def test_what_is_too_long_for_its_column_is_said(field: str, most: int) -> None:
    assert getattr(add(**{"name": "x", field: "x" * most}), field) == "x" * most
    refusal = refused(**{"name": "y", field: "y" * (most + 1)})
    assert (refusal.code, refusal.field, f"{most} characters" in refusal.message) == ("long", field, True)


def test_a_fit_pack_has_several_sizes_and_no_one_size() -> None:
    assert add(pack_sizes=(" S", "M ", "L", "")).pack_sizes == ["S", "M", "L"]
    assert refused(name="Other", pack_sizes=("S",)).code == "pack_sizes"
    assert refused(name="Other", pack_sizes=("S", "s")).code == "pack_sizes"
    assert refused(name="Other", pack_sizes=("S", "M" * 21)).code == "pack_sizes"
    assert refused(name="Other", pack_sizes=("S", "M"), size="M").field == "size"


def test_magnets_are_yes_no_or_unknown() -> None:
    assert add(magnetic="unknown").magnetic == "unknown"
    assert refused(name="Other", magnetic="").code == "magnetic"


def test_what_is_not_worn_starts_without_magnets() -> None:
    start = {kind for kind in Kind if catalogue.starts_without_magnets(kind)}
    assert start == {Kind.TUBING, Kind.FILTER_DISPOSABLE, Kind.FILTER_REUSABLE, Kind.CHAMBER}


def test_what_was_dispensed_keeps_what_it_said(cast: Cast) -> None:
    item = add(name="Complete", part_code="A7034", family="Aspen", contains=("A7032",))
    record_dispense(
        patient=cast.tevin, location=cast.south, dispensed_on=TODAY, lines=[NewLine(item=item, quantity=1)],
        by=None, now=NOW,
    )  # fmt: skip
    catalogue.change_item(
        item, ItemDetails(name="Frame", part_code="A7030", family="Birch", is_offered=False), by=None, now=NOW
    )
    line = DispenseLine.objects.get()
    assert (line.part_code, line.kind, line.family, line.contains) == ("A7034", "mask", "Aspen", ["A7032"])


# --- lists and changes ------------------------------------------------------------------


def test_who_changed_what(cast: Cast) -> None:
    item = catalogue.add_item(ItemDetails(name="Cushion", part_code="A7032"), by=cast.manager.user, now=NOW)
    catalogue.change_item(
        item,
        ItemDetails(name="Cushion", part_code="A7033", magnetic="no", pack_sizes=("S", "M")),
        by=cast.therapist.user,
        now=NOW,
    )
    catalogue.change_item(
        item,
        ItemDetails(name="Cushion", part_code="A7033", magnetic="no", pack_sizes=("S", "M")),
        by=None,
        now=NOW,
    )
    newest, first = shelf.changes(item)
    assert (newest.by, first.by) == ("theo", "marta")
    assert (first.is_new, newest.is_new) == (True, False)
    assert [(field.name, field.before, field.after) for field in newest.fields] == [
        ("part_code", "A7032", "A7033"),
        ("pack_sizes", [], ["S", "M"]),
        ("magnetic", "unknown", "no"),
    ]


def names(**wanted: Any) -> list[str]:
    return [item.name for item in shelf.items(CatalogueFilter(**wanted))]


def test_lists_are_narrowed_by_what_is_asked() -> None:
    make_item(name="Frame", kind="mask", part_code="A7034", family="Aspen", magnetic="yes")
    make_item(name="Cushion", family="Aspen", size="M", gtin="06291041500213")
    make_item(name="Filter", kind="filter_disposable", part_code="A7038", is_offered=False)
    assert names() == ["Frame", "Cushion", "Filter"]
    assert names(kind="mask") == ["Frame"]
    assert names(family="Aspen") == ["Frame", "Cushion"]
    assert names(magnetic="yes") == ["Frame"]
    assert names(offered=False) == ["Filter"]
    assert names(words="aspen m") == ["Cushion"]
    assert names(words=GTIN) == ["Cushion"]
    assert names(words="a70") == ["Frame", "Cushion", "Filter"]
    assert [item.name for item in shelf.items(CatalogueFilter(), order="-name")] == [
        "Frame",
        "Filter",
        "Cushion",
    ]
    assert [item.name for item in shelf.items(CatalogueFilter(), order="x; drop")] == names()


def test_masks_come_first_and_sizes_as_they_grow() -> None:
    for size in ("XL", "one size", "S", "M", "L"):
        make_item(name="Cushion", size=size)
    make_item(name="Zebra frame", kind="mask", part_code="A7034")
    shown = [(item.name, item.size) for item in shelf.items(CatalogueFilter())]
    assert shown[0] == ("Zebra frame", "")
    assert [size for _, size in shown[1:]] == ["S", "M", "L", "XL", "one size"]


def test_a_family_is_what_its_items_say() -> None:
    make_item(name="Frame", kind="mask", part_code="A7034", family="Aspen", size="M")
    make_item(name="Cushion", family="Aspen", pack_sizes=["S", "M"])
    make_item(name="Tubing", kind="tubing", part_code="A7037")
    (family,) = shelf.families()
    assert (family.name, family.sizes) == ("Aspen", ["M", "S"])
    assert [[item.name for item in items] for items in (family.masks, family.parts)] == [
        ["Frame"],
        ["Cushion"],
    ]
