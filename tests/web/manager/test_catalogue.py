"""The catalogue on screen: list, CSV, paper, families, an item with its changes, and the forms."""

import csv
import io
import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import CatalogueItem
from resupply.queries.catalogue import PAGE
from tests.builders import make_item, make_recall
from tests.cast import Cast

pytestmark = pytest.mark.usefixtures("usual_day")

GTIN = "6291041500213"
"""gs1.org, worked example of its check digit calculator."""
NEW: dict[str, Any] = {
    "name": "Nasal cushion",
    "part_code": "A7032",
    "magnetic": "no",
    "is_offered": "on",
}


def at(view: str, *args: object) -> str:
    return reverse(f"manager:{view}", args=args)


def text(answer: Any) -> str:
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))
    return re.sub(r" (?=[,.])", "", words)


# --- the list ---


def test_a_row_shows_what_an_item_is(marta: Client) -> None:
    make_item(
        name="Complete mask", kind="mask", part_code="A7034", family="Aspen", size="M",
        contains=["A7032", "A7035"], gtin=f"0{GTIN}", magnetic="unknown",
    )  # fmt: skip
    page = text(marta.get(at("catalogue")))
    assert (
        "Complete mask, M with A7032, A7035 Mask A7034 Aspen M 06291041500213 not known (counts as yes) yes"
        in page
    )


def test_filters_search_and_order(marta: Client) -> None:
    make_item(name="Frame", kind="mask", part_code="A7034", family="Aspen", magnetic="yes")
    make_item(name="Cushion", family="Aspen")
    make_item(name="Filter", kind="filter_disposable", part_code="A7038", is_offered=False)
    for query, wanted in [
        ({}, ["Frame", "Cushion", "Filter"]),
        ({"kind": "mask"}, ["Frame"]),
        ({"family": "Aspen", "order": "-name"}, ["Frame", "Cushion"]),
        ({"magnetic": "yes"}, ["Frame"]),
        ({"offered": "no"}, ["Filter"]),
        ({"words": "cush"}, ["Cushion"]),
        ({"kind": "nonsense", "order": "nonsense"}, ["Frame", "Cushion", "Filter"]),
    ]:
        page = marta.get(at("catalogue"), query)
        assert [row.item.name for row in page.context["rows"]] == wanted, query
        lines = b"".join(marta.get(at("catalogue_csv"), query)).decode()  # type: ignore[arg-type]
        assert [line.split(",")[0] for line in lines.splitlines()[1:]] == wanted, query
        paper = marta.get(at("catalogue_print"), query)
        assert [row.item.name for row in paper.context["rows"]] == wanted, query
    assert "No such item." in text(marta.get(at("catalogue"), {"words": "zzz"}))
    head = marta.get(at("catalogue"), {"order": "name", "kind": "mask"}).content.decode()
    assert 'aria-sort="ascending"' in head
    assert "order=-name&amp;kind=mask" in head


def test_pages_lead_on_and_back(marta: Client) -> None:
    for number in range(PAGE + 3):
        make_item(name=f"Item {number:03}")
    first = marta.get(at("catalogue"), {"kind": "cushion"})
    assert (len(first.context["rows"]), first.context["total"]) == (PAGE, PAGE + 3)
    second = marta.get(at("catalogue") + first.context["older_url"])
    assert [row.item.name for row in second.context["rows"]] == ["Item 050", "Item 051", "Item 052"]
    assert second.context["newer_url"] == "?kind=cushion&page=1"
    assert marta.get(at("catalogue"), {"page": "x"}).status_code == 200


def test_the_same_queries_for_one_item_and_for_thirty(marta: Client) -> None:
    for view in ("catalogue", "families", "catalogue_print"):
        counts = []
        for number in (1, 29):
            for _ in range(number):
                make_item(family="Aspen")
            with CaptureQueriesContext(connection) as queries:
                assert marta.get(at(view)).status_code == 200
            counts.append(len(queries))
        assert counts[0] == counts[1], view


def test_the_csv_holds_no_formula(marta: Client) -> None:
    make_item(name="=1+1", size="M", pack_sizes=["S", "M"], hibc="A123BJC5D6E7", code_note="why")
    answer = marta.get(at("catalogue_csv"))
    assert answer["Content-Disposition"] == 'attachment; filename="catalogue-2026-03-18.csv"'
    (row,) = csv.DictReader(io.StringIO(b"".join(answer).decode()))  # type: ignore[arg-type]
    assert (row["name"], row["fit_pack_sizes"], row["magnets"]) == ("'=1+1", "S; M", "no")


def test_families_show_which_parts_fit_which_mask(marta: Client) -> None:
    make_item(name="Frame", kind="mask", part_code="A7034", family="Aspen", size="M", magnetic="yes")
    make_item(name="Cushion", family="Aspen", pack_sizes=["S", "L"])
    make_item(name="Lone frame", kind="mask", part_code="A7030", family="Birch")
    page = text(marta.get(at("families")))
    assert "Aspen Sizes M, S, L Masks Frame, M A7034 · holds magnets" in page
    assert "Parts that fit Cushion A7032 · cushion · fit pack S, L" in page
    assert "nothing of this mask can be replaced" in page
    assert "change the family of each of its items" in page


def test_the_navigation_says_where_one_is(marta: Client) -> None:
    item = make_item()
    for address in (at("catalogue"), at("item", item.public_id), at("families"), at("recalls")):
        current = re.findall(r'aria-current="page">([^<]*)<', marta.get(address).content.decode())
        assert current == ["Catalogue"], address


# --- an item ---


def test_an_item_with_its_recall_and_its_changes(cast: Cast, marta: Client) -> None:
    marta.post(at("item_new"), NEW | {"gtin": GTIN})
    item = CatalogueItem.objects.get()
    marta.post(at("item_edit", item.public_id), NEW | {"gtin": GTIN, "magnetic": "yes", "is_offered": ""})
    make_recall(item=item, title="Clip breaks", lot="D1")
    page = text(marta.get(at("item", item.public_id)))
    assert "Recalled, lot D1: Clip breaks, Sun 1 Mar. That lot is not dispensed" in page
    assert "No longer offered. Nobody can dispense it." in page
    assert "marta Magnets: no magnets → holds magnets Offered: yes → no" in page
    assert "marta Added" in page
    assert "Magnets near implants." in page
    for who in ("US Food and Drug Administration", "Health Canada", "Therapeutic Goods Administration"):
        assert who in page


def test_the_desk_sees_and_changes_nothing(ines: Client) -> None:
    item = make_item()
    for page in (ines.get(at("catalogue")), ines.get(at("item", item.public_id))):
        assert page.status_code == 200
        assert "Add an item" not in text(page)
        assert "Change the item" not in text(page)
    assert ines.get(at("item_new")).status_code == 403
    assert ines.post(at("item_edit", item.public_id), NEW).status_code == 403
    assert CatalogueItem.objects.get().name == item.name


# --- the form ---


def test_a_therapist_adds_an_item(cast: Cast, client: Client) -> None:
    client.force_login(cast.therapist.user)
    mask = {
        "name": "Complete mask", "part_code": "A7034", "family": "Aspen", "style": "nasal", "magnetic": "yes",
        "pack_sizes": "S, M,L", "contains": ["A7032", "A7035"], "gtin": GTIN, "is_offered": "on",
    }  # fmt: skip
    answer = client.post(at("item_new"), mask)
    item = CatalogueItem.objects.get()
    assert answer["Location"] == at("item", item.public_id)
    assert (item.kind, item.pack_sizes, item.contains) == ("mask", ["S", "M", "L"], ["A7032", "A7035"])
    assert (item.gtin, item.is_offered, item.style) == (f"0{GTIN}", True, "nasal")
    assert "Mask style Nasal mask" in text(client.get(answer["Location"]))


def test_a_refused_form_keeps_what_was_typed(marta: Client) -> None:
    make_item(name="Known", gtin=f"0{GTIN}")
    for over, message in [
        ({"gtin": "6291041500214"}, "629104150021 would end in 3, not in 4"),
        ({"gtin": GTIN}, "This GTIN belongs to “Known” (A7032)."),
        ({"hibc": "+A123BJC5D6E71H"}, "would end in “G”"),
        ({"pack_sizes": "S"}, "Enter from 2 to 12 different sizes"),
        ({"part_code": "A9999"}, "is not offered here"),
        ({"name": ""}, "Fill this in."),
    ]:
        answer = marta.post(at("item_new"), NEW | {"code_note": "our own reason"} | over)
        assert answer.status_code == 422, over
        assert message in text(answer).replace("&#x27;", "'"), over
        page = answer.content.decode()
        assert "our own reason" in page
        for typed in over.values():
            assert not typed or typed == "A9999" or f'value="{typed}"' in page, typed
    assert CatalogueItem.objects.count() == 1


def test_the_form_says_what_belongs_to_a_cushion(marta: Client) -> None:
    note = "A single-piece cradle under the nose that does not enter the nostrils fits the wording of A7032"
    assert note in text(marta.get(at("item_new")))
    cushion = make_item()
    assert note in text(marta.get(at("item_edit", cushion.public_id)))
    assert "Nasal Interfaces" in text(marta.get(at("item_edit", cushion.public_id)))
    tubing = make_item(kind="tubing", part_code="A7037")
    assert note not in text(marta.get(at("item_edit", tubing.public_id)))


def test_another_code_draws_the_form_anew_and_saves_nothing(marta: Client) -> None:
    typed = {"name": "Tube", "magnetic": "unknown", "drawn_for": "", "redraw": "1", "is_offered": "on"}
    tubing = marta.post(at("item_new"), typed | {"part_code": "A7037"})
    form = tubing.context["form"]
    assert (form["magnetic"].value(), form["name"].value()) == ("no", "Tube")
    assert not {"contains", "style"} & form.fields.keys()
    assert not form.errors
    mask = marta.post(
        at("item_new"), typed | {"part_code": "A7034", "drawn_for": "A7037", "magnetic": "no"}
    ).context["form"]
    assert mask["magnetic"].value() == "unknown"  # unknown counts as yes
    assert "contains" in mask.fields
    kept = marta.post(
        at("item_new"), typed | {"part_code": "A7034", "drawn_for": "A7037", "magnetic": "yes"}
    ).context["form"]
    assert kept["magnetic"].value() == "yes"  # somebody said so
    assert not CatalogueItem.objects.exists()


def test_a_correction_says_what_dispenses_keep(marta: Client) -> None:
    item = make_item(gtin="00629104150021", hibc="A123BJC5D6E7", pack_sizes=["S", "M"])
    page = marta.get(at("item_edit", item.public_id))
    assert "What was dispensed before keeps what it said then" in text(page)
    form = page.context["form"]
    sent = {name: form[name].value() for name in form.fields} | {"gtin": "", "is_offered": "on"}
    assert marta.post(at("item_edit", item.public_id), sent).status_code == 302
    saved = CatalogueItem.objects.get()
    assert (saved.hibc, saved.pack_sizes, saved.gtin) == ("A123BJC5D6E7", ["S", "M"], "")


# --- from a scan, and back ---


def test_a_scan_prefills_the_form_and_the_way_back_is_gone(cast: Cast, marta: Client) -> None:
    back = reverse("desk:dispense", args=[cast.odalys.public_id])
    query = {"gtin": f"0{GTIN}", "lot": "A213B1", "next": back}
    page = marta.get(at("item_new"), query)
    assert page.context["form"]["gtin"].value() == f"0{GTIN}"
    assert "From the scan: lot A213B1. That is recorded where the pack is dispensed" in text(page)
    assert f'href="{back}"' in page.content.decode()
    answer = marta.post(at("item_new") + f"?next={back}", NEW | {"gtin": f"0{GTIN}"})
    assert answer["Location"] == back
    assert "Added: Nasal cushion." in text(marta.get(back))


@pytest.mark.parametrize(
    "address",
    [
        "https://elsewhere.example/",
        "//elsewhere.example/",
        "javascript:alert(1)",
        "desk/",
        "/\\elsewhere.example",
        "",
    ],
)
def test_no_other_place_is_gone_back_to(marta: Client, address: str) -> None:
    page = marta.get(at("item_new"), {"next": address})
    assert page.context["back_url"] == at("catalogue")
    answer = marta.post(f"{at('item_new')}?{page.wsgi_request.GET.urlencode()}", NEW)
    assert answer["Location"] == at("item", CatalogueItem.objects.get().public_id)


def test_a_known_gtin_names_its_item(marta: Client) -> None:
    item = make_item(name="Old cushion", gtin=f"0{GTIN}", is_offered=False)
    page = marta.get(at("item_new"), {"gtin": f"0{GTIN}"})
    assert "This GTIN is known. It belongs to Old cushion, which is no longer offered." in text(page)
    assert at("item", item.public_id) in page.content.decode()
