"""A scanner at the dispense form: each scan counts one part into a row, and nothing is logged by it."""

from typing import Any
from urllib.parse import quote
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from resupply.models import CatalogueItem, Dispense, DispenseLine
from resupply.services import plans
from tests.builders import NOW, make_dispense, make_item
from tests.cast import Cast

pytestmark = pytest.mark.usefixtures("usual_day")

FDA = "51022222233336"
"""GTIN of the example in FDA, "UDI formats by FDA-Accredited Issuing Agency", v1.3, 2017-01-27."""

LABEL = f"01{FDA}1727063010A213B1"
SERIAL = f"{LABEL}\x1d211234"
OTHER = "06291041500213"
"""gs1.org's worked example of a check digit, with 14 digits."""


@pytest.fixture
def cushion(db: None) -> CatalogueItem:
    return make_item(name="Nasal cushion", size="M", gtin=FDA)


def address(cast: Cast) -> str:
    return reverse("desk:dispense", args=[cast.odalys.public_id])


def sheet(cast: Cast, scan: str, *rows: dict[str, object], **over: object) -> dict[str, object]:
    """What the form sends with a scan in it, by the scanner's Enter (no button named)."""
    data: dict[str, object] = {
        "dispensed_on": "2026-03-18",
        "location": cast.north.pk,
        "given": "in_person",
        "supplied_by": "us",
        "form_key": str(uuid4()),
        "rows-TOTAL_FORMS": len(rows),
        "rows-INITIAL_FORMS": 0,
        "scan": scan,
    }
    for number, row in enumerate(rows):
        data |= {f"rows-{number}-{name}": value for name, value in row.items()}
    return data | over


def again(answer: Any, scan: str, **over: object) -> dict[str, object]:
    """What the form as answered sends with the next scan (or none) in it."""
    formset, head = answer.context["form_rows"], answer.context["form"]
    data: dict[str, object] = {field.html_name: field.value() or "" for field in head}
    data |= {field.html_name: field.value() for field in formset.management_form}
    for form in formset:
        data |= {field.html_name: "" if field.value() is None else field.value() for field in form}
    return data | {"scan": scan} | over


def rows(answer: Any) -> list[tuple[object, ...]]:
    """Part, quantity, lot and expiry of the rows that hold a part."""
    names = ("part", "quantity", "lot", "expires_on")
    told = [tuple(row.form[name].value() for name in names) for row in answer.context["rows"]]
    return [tuple(value or "" for value in row) for row in told if row[0]]


def test_a_scan_fills_a_row_and_logs_nothing(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    answer = ines.post(address(cast), sheet(cast, LABEL, {"part": "", "quantity": ""}))
    assert answer.status_code == 200
    assert rows(answer) == [(f"item:{cushion.pk}", "1", "A213B1", "2027-06-30")]
    page = answer.content.decode()
    assert "Added: Nasal cushion, M, lot A213B1. Scanned so far: 1. Not logged yet." in page
    assert answer.context["scan"]["scan"].value() == ""
    assert "autofocus" in page
    assert '<input type="hidden" name="rows-0-scanned" value="1"' in page
    assert not Dispense.objects.exists()


def test_the_separator_survives_the_way_of_a_browser(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    """As a browser writes it, percent-encoded; without it the lot would hold the serial."""
    body = "&".join(f"{name}={quote(str(value))}" for name, value in sheet(cast, SERIAL).items())
    assert "%1D" in body
    answer = ines.post(address(cast), body, content_type="application/x-www-form-urlencoded")
    assert rows(answer) == [(f"item:{cushion.pk}", "1", "A213B1", "2027-06-30")]


@pytest.mark.parametrize("button", [{}, {"add_scan": "1"}])
@pytest.mark.parametrize("prefix", ["", "]d2", "]C1"])
def test_the_second_scan_adds_one_and_another_lot_starts_a_row(
    cast: Cast, ines: Client, cushion: CatalogueItem, button: dict[str, object], prefix: str
) -> None:
    answer = ines.post(address(cast), sheet(cast, prefix + LABEL, **button))
    answer = ines.post(address(cast), again(answer, prefix + LABEL, **button))
    answer = ines.post(address(cast), again(answer, f"(01){FDA}(17)270630(10)B2", **button))
    part = f"item:{cushion.pk}"
    assert rows(answer) == [(part, "2", "A213B1", "2027-06-30"), (part, "1", "B2", "2027-06-30")]


def test_what_was_scanned_is_logged_by_the_button(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    answer = ines.post(address(cast), sheet(cast, LABEL))
    answer = ines.post(address(cast), again(answer, LABEL))
    assert ines.post(address(cast), again(answer, "")).status_code == 302
    line = DispenseLine.objects.get()
    assert (line.item, line.quantity, line.lot) == (cushion, 2, "A213B1")
    assert str(line.expires_on) == "2027-06-30"


def test_the_suggested_row_is_counted_anew_and_keeps_its_place(
    cast: Cast, ines: Client, cushion: CatalogueItem
) -> None:
    """The form opens on three cushions suggested; what is scanned is what is given."""
    make_dispense(cast.odalys, lines=[{"billed": True, "billed_to": cast.payer, "item": cushion}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    answer = ines.get(address(cast))
    assert rows(answer) == [(f"item:{cushion.pk}", "3", "", "")]
    answer = ines.post(address(cast), again(answer, LABEL))
    assert rows(answer) == [(f"item:{cushion.pk}", "1", "A213B1", "2027-06-30")]
    answer = ines.post(address(cast), again(answer, LABEL))
    assert rows(answer) == [(f"item:{cushion.pk}", "2", "A213B1", "2027-06-30")]
    assert [row.line.kind for row in answer.context["rows"] if row.line] == ["cushion"]


def test_nothing_typed_is_lost(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    typed = {"kind": "cushion", "part": f"item:{cushion.pk}", "quantity": "7", "lot": "OLD"}
    other = {"part": "code:A7035", "quantity": "many", "exception_reason": "travels"}
    data = sheet(cast, LABEL, typed, other, tracking_id="1Z 9")
    answer = ines.post(address(cast), data)
    forms = [row.form for row in answer.context["rows"]]
    assert [form["quantity"].value() for form in forms] == ["7", "many", "1"]
    assert [form["lot"].value() for form in forms] == ["OLD", "", "A213B1"]
    assert forms[1]["exception_reason"].value() == "travels"
    assert answer.context["form"]["tracking_id"].value() == "1Z 9"
    assert str(data["form_key"]) in answer.content.decode()
    assert "A quantity of cushion was typed as well" in answer.content.decode()


# The scan, and what the desk is told. Nothing is added; the form keeps its row.
STOPS = [
    (f"01{OTHER}10H7", f"offers no item with the GTIN {OTHER} (lot H7)", "an unknown item"),
    (f"01{FDA}17260317", "Nasal cushion, M: This part expired on Tue 17 Mar 2026. Take another.", "expired"),
    (f"01{FDA}17260230", "holds a date that does not exist", "no such day"),
    ("0151022222233337", "The check digit does not fit", "a wrong digit"),
    ("01" + "0" * 14, "all zeros", "a placeholder"),
    ("(17)270630(10)A213B1", "holds no item number", "only lot and expiry"),
    ("+A123BJC5D6E71G", "offers no item with the HIBC code +A123BJC5D6E71G", "HIBC"),
    ("brandt odalys", "This is no code of a part.", "words"),
    ("9" * 500, "too long or too short", "too long"),
]


@pytest.mark.parametrize(("scan", "says", "what"), STOPS, ids=[stop[2] for stop in STOPS])
def test_what_is_stopped_and_what_to_do(
    cast: Cast, ines: Client, cushion: CatalogueItem, scan: str, says: str, what: str
) -> None:
    typed = {"part": "code:A7035", "quantity": "1"}
    answer = ines.post(address(cast), sheet(cast, scan, typed))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert says in page
    assert 'role="alert"' in page
    assert rows(answer) == [("code:A7035", "1", "", "")]
    assert f"Scanned: {scan[:120]}" in page
    assert answer.context["scan"]["scan"].value() == ""
    assert not Dispense.objects.exists()


def test_a_refused_scan_does_not_keep_the_rest_from_being_logged(cast: Cast, ines: Client) -> None:
    answer = ines.post(address(cast), sheet(cast, SERIAL, {"part": "code:A7035", "quantity": "1"}))
    assert answer.status_code == 422
    assert "A213B1␝211234" in answer.content.decode()
    assert ines.post(address(cast), again(answer, answer.context["scan"]["scan"].value())).status_code == 302
    assert DispenseLine.objects.get().part_code == "A7035"


def test_the_button_without_a_scan_logs_nothing(cast: Cast, ines: Client) -> None:
    typed = {"part": "code:A7035", "quantity": "1"}
    answer = ines.post(address(cast), sheet(cast, "", typed, add_scan="1"))
    assert "The scan holds nothing." in answer.content.decode()
    assert not Dispense.objects.exists()


@pytest.mark.parametrize(("day", "status"), [("2026-03-17", 200), ("2026-03-18", 422), ("", 422)])
def test_expired_is_told_by_the_day_of_the_dispense(
    cast: Cast, ines: Client, cushion: CatalogueItem, day: str, status: int
) -> None:
    """It expires on 17 March, and may be given on that day still."""
    data = sheet(cast, f"01{FDA}17260317", dispensed_on=day)
    assert ines.post(address(cast), data).status_code == status


def test_a_dropped_separator_is_said(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    answer = ines.post(address(cast), sheet(cast, SERIAL.replace("\x1d", "")))
    assert rows(answer)[0][2] == "A213B1211234"
    assert "may have dropped a separator" in answer.content.decode()


def test_what_is_no_longer_offered_is_not_found(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    CatalogueItem.objects.update(is_offered=False)
    assert ines.post(address(cast), sheet(cast, LABEL)).status_code == 422


def test_one_more_row_leaves_the_scan_unread(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    answer = ines.post(address(cast), sheet(cast, LABEL, more="1"))
    assert rows(answer) == []
    assert answer.context["scan"]["scan"].value() == LABEL


def test_forty_rows_are_enough(cast: Cast, ines: Client, cushion: CatalogueItem) -> None:
    full = [{"part": "code:A7035", "quantity": "1"}] * 40
    answer = ines.post(address(cast), sheet(cast, LABEL, *full))
    assert "The form has 40 rows already." in answer.content.decode()
    assert len(answer.context["rows"]) == 40


def test_a_scan_costs_no_query_more_than_the_form(
    cast: Cast,
    ines: Client,
    cushion: CatalogueItem,
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    with django_assert_max_num_queries(1000) as opened:
        ines.get(address(cast))
    for number in range(20):
        make_item(name=f"Item {number}")
    with django_assert_max_num_queries(len(opened)):
        ines.post(address(cast), sheet(cast, LABEL))


@pytest.mark.parametrize("count", ["", "many", "-1", "9" * 5000, "²"])
def test_a_row_count_no_browser_sends_is_no_fault_of_ours(cast: Cast, ines: Client, count: str) -> None:
    data = {"more": "1", "rows-TOTAL_FORMS": count, "rows-INITIAL_FORMS": "0"}
    answer = ines.post(reverse("desk:dispense", args=[cast.odalys.public_id]), data)
    assert answer.status_code == 200
