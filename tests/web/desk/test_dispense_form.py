"""The dispense form: what it fills in, what it says of each row, and what it keeps when it comes back."""

from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from resupply.models import BackOrder, CatalogueItem, Dispense, DispenseLine, MagnetScreen, Recall, StockLevel
from resupply.services import plans
from tests.builders import NOW, TODAY, make_answer, make_back_order, make_dispense, make_event, make_item
from tests.cast import Cast

pytestmark = pytest.mark.usefixtures("usual_day")

HIBC = "+A123BJC5D6E71G"
"""Labeler A123, product BJC5D6E7, unit 1: the sample of ANSI/HIBC 2.4, from memory; its check character is
computed in the tests of the rules."""


@pytest.fixture
def cushion(cast: Cast) -> CatalogueItem:
    """Odalys got a mask and a cushion of Aspen on 1 January; both ran out, one mask and three cushions are
    suggested, at most six cushions allowed.
    """
    item = make_item(name="Aspen cushion", size="M", family="Aspen")
    mask = make_item(name="Aspen mask", size="M", family="Aspen", kind="mask", part_code="A7034")
    billed = {"billed": True, "billed_to": cast.payer, "family": "Aspen"}
    make_dispense(
        cast.odalys,
        on=date(2025, 11, 1),
        lines=[{"item": mask, "part_code": "A7034"} | billed, {"item": item} | billed],
    )
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return item


def address(cast: Cast) -> str:
    return reverse("desk:dispense", args=[cast.odalys.public_id])


def on_shelf(cast: Cast, item: CatalogueItem, *lots: tuple[str, str, int]) -> None:
    """Lots with their expiry and number, in a room that tracks stock."""
    cast.north.tracks_stock = True
    cast.north.save()
    for lot, expires, on_hand in lots:
        StockLevel.objects.create(
            location=cast.north, item=item, lot=lot, expires_on=expires or None, on_hand=on_hand
        )


def filled(answer: Any, kind: str = "") -> list[tuple[str, ...]]:
    """Quantity, lot and expiry of the rows (of a kind)."""
    names = ("quantity", "lot", "expires_on")
    return [
        tuple(str(row.form[name].value() or "") for name in names)
        for row in answer.context["rows"]
        if row.form["kind"].value() and (not kind or row.form["kind"].value() == kind)
    ]


def sent(answer: Any, **over: object) -> dict[str, object]:
    """What the form as answered sends, with some fields changed (`q0` the quantity of the first row, ...)."""
    data: dict[str, object] = {field.html_name: field.value() or "" for field in answer.context["form"]}
    data |= {field.html_name: field.value() for field in answer.context["form_rows"].management_form}
    for form in answer.context["form_rows"]:
        data |= {field.html_name: "" if field.value() is None else field.value() for field in form}
    data.pop("allow_short", None)
    return data | over


def page(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


# --- what it fills in ---


def test_lots_that_expire_first_are_filled_in_over_two_rows_where_one_is_not_enough(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    on_shelf(cast, cushion, ("OLD", "2026-03-17", 9), ("B", "2027-01-31", 9), ("A", "2026-06-30", 2))
    answer = ines.get(address(cast))
    assert filled(answer, "cushion") == [("2", "A", "2026-06-30"), ("1", "B", "2027-01-31")]
    assert [row.name for row in answer.context["rows"]][:3] == ["Mask", "Cushion", "Cushion, next lot"]
    assert ines.post(address(cast), sent(answer, **{"rows-0-quantity": ""})).status_code == 302
    lots = DispenseLine.objects.filter(dispense__dispensed_on=TODAY).values_list("lot", "quantity")
    assert list(lots) == [("A", 2), ("B", 1)]
    assert dict(StockLevel.objects.values_list("lot", "on_hand")) == {"OLD": 9, "A": 0, "B": 8}


def test_after_a_refit_the_parts_of_the_new_family_are_filled_in(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    make_item(name="Birch cushion", size="S", family="Birch")
    medium = make_item(name="Birch cushion", size="M", family="Birch")
    make_event(cast.odalys, "refit", family="Birch", on=date(2026, 3, 10))
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    answer = ines.get(address(cast))
    parts = {row.form["kind"].value(): row.form["part"].value() for row in answer.context["rows"]}
    assert parts["cushion"] == f"item:{medium.pk}"
    assert parts["mask"] == "code:A7034", "the catalogue has no Birch mask: somebody has to choose"
    assert "the same again for Birch" in page(answer)


def test_an_answer_fills_in_exactly_what_the_patient_said_yes_to(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    said = make_answer(cast.odalys, items=[{"quantity": 2}], handover="ship")
    answer = ines.get(address(cast), {"answer": str(said.public_id)})
    assert filled(answer) == [("", "", ""), ("2", "", "")]
    assert answer.context["form"]["given"].value() == "shipped"
    assert "what the patient said yes to" in page(answer)
    assert "Said yes on" in page(answer)


@pytest.mark.parametrize("named", ["", "not-a-key", "8e21f4a5-96d1-47f8-b34e-ca7bec9f2e18"])
def test_an_answer_that_is_not_open_fills_in_nothing_of_its_own(
    cast: Cast, ines: Client, cushion: CatalogueItem, named: str
) -> None:
    answer = ines.get(address(cast), {"answer": named})
    is_key = len(named) == 36
    assert filled(answer, "cushion") == [("", "", "")] if is_key else [("3", "", "")]
    assert ("Nothing of that answer is open" in page(answer)) is is_key


def test_a_back_order_fills_in_what_was_waited_for(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    """Two cushions were back-ordered: they are filled in, from the lot that came; the mask waits."""
    on_shelf(cast, cushion, ("L-9", "2028-01-31", 5))
    order = make_back_order(cast.odalys, item=cushion, quantity=2)
    page = ines.get(f"{address(cast)}?back_order={order.public_id}")
    assert filled(page, "cushion") == [("2", "L-9", "2028-01-31")]
    assert filled(page, "mask") == [("", "", "")]
    assert "what was back-ordered on" in page.content.decode()
    other = make_back_order(cast.tevin, quantity=2)
    assert filled(ines.get(f"{address(cast)}?back_order={other.public_id}"), "cushion") != [("2", "", "")]


def test_of_another_patients_answer_nothing_is_shown(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    said = make_answer(cast.tevin, items=[{"quantity": 5}])
    answer = ines.get(address(cast), {"answer": str(said.public_id)})
    assert filled(answer, "cushion") == [("", "", "")]


# --- what it says of each row ---


def test_what_is_stopped_for_good_says_so_and_is_left_out(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    MagnetScreen.objects.all().delete()
    CatalogueItem.objects.filter(kind="mask").update(magnetic="yes")
    Recall.objects.create(title="Seam opens", issued_on=TODAY, source="maker's letter", item=cushion)
    answer = ines.get(address(cast))
    assert filled(answer) == [("", "", ""), ("", "", "")]
    assert "<strong>Stopped.</strong> This part holds magnets, or may" in page(answer)
    assert "<strong>Stopped.</strong> A recall names this part: Seam opens." in page(answer)


def test_limit_suggestion_reason_and_next_date_stand_at_the_row(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    text = page(ines.get(address(cast)))
    assert "At most 6 today · 3 suggested" in text
    # Three cushions from 18 March end on 18 June; ten days before, 8 June, they may be dispensed again.
    assert 'Once logged, next from <time datetime="2026-06-08">Mon 8 Jun</time>' in text
    assert reverse("desk:why_value", args=[cast.odalys.public_id, "cushion", "quantity_suggested"]) in text
    assert "Billed to Payer B, unless a row says otherwise." in text


def test_who_pays_is_said_where_it_is_the_patient(cast: Cast, client: Client) -> None:
    client.force_login(cast.therapist.user)
    text = page(client.get(reverse("desk:dispense", args=[cast.tevin.public_id])))
    assert "The patient pays: nothing is billed." in text


def test_all_rows_outside_are_told_at_once_and_nothing_typed_is_lost(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    data = sent(
        ines.get(address(cast)),
        **{"rows-0-quantity": "2", "rows-1-quantity": "7", "rows-1-serial": "S-1", "carrier": "Parcel post"},
    )
    answer = ines.post(address(cast), data)
    text = page(answer)
    assert answer.status_code == 422
    assert "At most 1 of these may be dispensed" in text
    assert "At most 6 of these may be dispensed" in text
    assert 'value="S-1"' in text
    assert 'value="Parcel post"' in text
    assert str(data["form_key"]) in text
    assert not Dispense.objects.filter(dispensed_on=TODAY).exists()


def test_a_reason_that_lifts_nothing_is_told_as_stopped(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    data = sent(
        ines.get(address(cast)),
        **{"rows-1-expires_on": "2026-03-01", "rows-1-exception_reason": "it looks fine"},
    )
    answer = ines.post(address(cast), data)
    assert answer.status_code == 422
    assert "This part expired on Sun 1 Mar 2026. Take another. No reason lifts this." in page(answer)
    assert 'value="it looks fine"' in page(answer)


# --- not in stock ---


def test_what_is_not_in_stock_warns_and_can_be_logged_anyway(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    on_shelf(cast, cushion, ("A", "2026-06-30", 2))
    opened = ines.get(address(cast))
    assert filled(opened, "cushion") == [("2", "A", "2026-06-30"), ("1", "", "")]
    assert "<strong>Not in stock.</strong> On record at North room: none of these." in page(opened)
    data = sent(opened, **{"rows-0-quantity": ""})
    refused = ines.post(address(cast), data)
    assert refused.status_code == 422
    assert filled(refused, "cushion") == [("2", "A", "2026-06-30"), ("1", "", "")]
    assert not Dispense.objects.filter(dispensed_on=TODAY).exists()
    assert 'name="allow_short"' in page(refused)
    assert ines.post(address(cast), data | {"allow_short": "on"}).status_code == 302
    assert sum(StockLevel.objects.values_list("on_hand", flat=True)) == -1


def test_what_is_not_in_stock_can_be_back_ordered_instead(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    on_shelf(cast, cushion, ("A", "2026-06-30", 2))
    data = sent(ines.get(address(cast)), **{"rows-0-quantity": "", "back_order": "2"})
    answer = ines.post(address(cast), data)
    assert answer.status_code == 200
    assert "Back-ordered: 1 × Aspen cushion, M." in page(answer)
    assert filled(answer, "cushion") == [("2", "A", "2026-06-30"), ("", "", "")]
    order = BackOrder.objects.get()
    assert (order.item, order.quantity, order.recorded_by) == (cushion, 1, cast.desk.user)
    again = ines.post(address(cast), data)
    assert "There is an open back order of this part already." in page(again)
    assert filled(again, "cushion") == [("2", "A", "2026-06-30"), ("1", "", "")]
    assert ines.post(address(cast), sent(answer)).status_code == 302


@pytest.mark.parametrize("place", ["", "many", "-1", "99", "²", "9" * 5000])
def test_a_back_order_of_no_row_does_nothing(
    cast: Cast, ines: Client, cushion: CatalogueItem, place: str
) -> None:
    assert ines.post(address(cast), sent(ines.get(address(cast)), back_order=place)).status_code == 200
    assert not BackOrder.objects.exists()


def test_a_part_of_no_number_is_no_part(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    data = sent(ines.get(address(cast)), **{"rows-0-part": f"item:{'9' * 5000}"})
    assert ines.post(address(cast), data).status_code == 422


# --- scans ---


def scanned(cast: Cast, ines: Client, scan: str, **over: object) -> Any:
    return ines.post(address(cast), sent(ines.get(address(cast)), scan=scan, **over))


def test_an_hibc_code_finds_its_item(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    CatalogueItem.objects.filter(pk=cushion.pk).update(hibc="A123BJC5D6E7")
    answer = scanned(cast, ines, HIBC)
    assert filled(answer, "cushion") == [("1", "", "")]
    assert "Added: Aspen cushion, M. Scanned so far: 1. Not logged yet." in page(answer)


def test_each_serial_has_a_row_and_counts_once(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    CatalogueItem.objects.filter(pk=cushion.pk).update(gtin="51022222233336")
    first = scanned(cast, ines, "(01)51022222233336(10)A(21)1")
    second = ines.post(address(cast), sent(first, scan="(01)51022222233336(10)A(21)2"))
    twice = ines.post(address(cast), sent(second, scan="(01)51022222233336(10)A(21)2"))
    assert twice.status_code == 422
    assert "Serial 2 is in the list already" in page(twice)
    assert ines.post(address(cast), sent(twice, **{"rows-0-quantity": ""})).status_code == 302
    given = DispenseLine.objects.filter(dispense__dispensed_on=TODAY).values_list("serial", "quantity")
    assert list(given) == [("1", 1), ("2", 1)]


def test_the_first_scan_of_a_kind_takes_over_every_row_filled_in(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    """Else the lots the form filled in would go out besides the ones scanned."""
    CatalogueItem.objects.filter(pk=cushion.pk).update(gtin="51022222233336")
    on_shelf(cast, cushion, ("A", "2026-06-30", 2), ("B", "2027-01-31", 9))
    answer = scanned(cast, ines, "(01)51022222233336(17)270131(10)B")
    assert filled(answer, "cushion") == [("1", "B", "2027-01-31"), ("", "", "")]


SCANS = [
    ({"family": "Birch"}, "belongs to Birch; the patient wears Aspen", "another family"),
    ({"magnetic": "unknown"}, "This part holds magnets, or may", "magnets, never asked"),
]


@pytest.mark.parametrize(("over", "says", "what"), SCANS, ids=[row[2] for row in SCANS])
def test_what_may_not_go_out_is_stopped_at_the_scan(
    cast: Cast, ines: Client, cushion: CatalogueItem, over: dict[str, str], says: str, what: str
) -> None:
    make_item(name="Other cushion", gtin="51022222233336", **over)
    MagnetScreen.objects.all().delete()
    answer = scanned(cast, ines, "(01)51022222233336(10)A")
    assert answer.status_code == 422
    assert says in page(answer)
    assert filled(answer, "cushion") == [("3", "", "")]


def test_a_recalled_lot_is_stopped_at_the_scan(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    CatalogueItem.objects.filter(pk=cushion.pk).update(gtin="51022222233336")
    Recall.objects.create(title="Seam opens", issued_on=TODAY, source="maker's letter", lot="a")
    assert "A recall names this part: Seam opens." in page(scanned(cast, ines, "(01)51022222233336(10)A"))
    assert scanned(cast, ines, "(01)51022222233336(10)B").status_code == 200


@pytest.mark.parametrize(("role", "may_add"), [("desk", False), ("therapist", True), ("manager", True)])
def test_an_unknown_number_can_be_added_by_those_who_may(
    cast: Cast, client: Client, cushion: CatalogueItem, role: str, may_add: bool
) -> None:
    client.force_login(cast.user(role))
    text = page(scanned(cast, client, "(01)51022222233336(10)A"))
    link = f"{reverse('manager:item_new')}?gtin=51022222233336"
    assert (link in text) is may_add
    assert ("Ask a therapist or a manager to add it" in text) is not may_add


def test_what_is_no_longer_offered_is_not_added_again(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    make_item(name="Old cushion", gtin="51022222233336", is_offered=False)
    assert "Old cushion is no longer offered." in page(scanned(cast, ines, "(01)51022222233336(10)A"))


# --- marked on every list ---


def test_an_exception_is_marked_wherever_the_line_shows(
    cast: Cast, client: Client, cushion: CatalogueItem
) -> None:
    exception = {"exception_reason": "lost in the post", "exception_stops": ["too_early", "too_many"]}
    line = {"item": cushion, "notice": "given", "notice_on": date(2026, 1, 4)} | exception
    make_dispense(cast.odalys, on=date(2026, 1, 5), lines=[line])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    client.force_login(cast.manager.user)
    said = "(too early, more than the limit):</b> lost in the post · written notice given on"
    for name in ("patient", "history"):
        text = page(client.get(reverse(f"desk:{name}", args=[cast.odalys.public_id])))
        assert said in text, name
    text = page(client.get(reverse("desk:patient", args=[cast.odalys.public_id])))
    assert text.count("last given as an exception") == 1
    overdue = page(client.get(reverse("manager:overdue")))
    assert overdue.count("Odalys Brandt</a>") == 2, "mask and cushion"
    assert overdue.count("last given as an exception") == 1
    make_dispense(cast.odalys, on=date(2026, 1, 20), lines=[{"item": cushion}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    assert "last given as an exception" not in page(client.get(reverse("manager:overdue")))


# --- cost ---


def test_as_many_queries_for_a_long_history_as_for_a_short_one(
    cast: Cast, ines: Client, cushion: CatalogueItem, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    with django_assert_max_num_queries(30) as short:
        ines.get(address(cast))
    for number in range(20):
        item = make_item(name=f"Item {number}")
        make_dispense(cast.odalys, on=date(2024, 1, 1 + number), lines=[{"item": item}, {"item": item}])
        Recall.objects.create(title="R", issued_on=TODAY, source="letter", item=item)
    with django_assert_max_num_queries(len(short)):
        ines.get(address(cast))
