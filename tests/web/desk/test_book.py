"""The book of dispenses: rows, filters, pages, CSV, paper."""

import csv
import io
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import Dispense, Patient
from resupply.queries.dispense_book import PAGE
from resupply.web.desk import book
from resupply.web.wording import day_words
from tests.builders import NOW, TODAY, make_dispense, make_item, make_patient, make_proof
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")

BOOK = "/desk/dispensed/"


def exported(marta: Client, query: dict[str, Any] | None = None) -> list[dict[str, str]]:
    answer = marta.get(reverse("desk:book_csv"), query or {})
    return list(csv.DictReader(io.StringIO(b"".join(answer).decode())))  # type: ignore[arg-type]


def test_a_row_says_what_was_given_and_how_it_is_proved(cast: Cast, marta: Client) -> None:
    line = {"item": make_item(name="Aspen cushion", size="M"), "quantity": 6, "lot": "L77"}
    outside = {"part_code": "A7035", "exception_reason": "strap broke"}
    dispense = make_dispense(cast.odalys, on=date(2026, 3, 2), lines=[line, outside])
    make_proof(dispense)
    page = marta.get(BOOK)
    assert (
        f"{dispense.number} Mon 2 Mar Odalys Brandt born 4 Feb 1961 · ref 1047 6 × cushion Aspen cushion, M "
        "· A7032 · lot L77 1 × headgear A7035 outside the limits In person North room "
        "Jan Ek spouse, Mon 2 Mar"
    ) in text(page)
    assert reverse("desk:slip", args=[dispense.public_id]) in page.content.decode()


def test_a_voided_row_stays_struck_with_its_reason(cast: Cast, marta: Client) -> None:
    lost = make_dispense(cast.odalys, given="shipped")
    Dispense.objects.filter(pk=lost.pk).update(
        voided_at=NOW, void_reason="Lost on the way", parcel="lost", parcel_on=TODAY
    )
    page = marta.get(BOOK)
    assert '<tr class="void">' in page.content.decode()
    assert "Lost on the way" in text(page)
    assert "voided:" not in text(page)


def test_filters_narrow_rows_csv_and_paper(cast: Cast, marta: Client) -> None:
    item = make_item(name="Aspen cushion")
    make_dispense(cast.odalys, on=date(2026, 3, 2), lines=[{"item": item, "lot": "Ab12"}])
    shipped = make_dispense(
        cast.tevin, on=date(2026, 3, 9), given="shipped",
        lines=[{"part_code": "A7035", "exception_reason": "x", "serial": "S9"}],
    )  # fmt: skip
    make_proof(shipped)
    gone = make_dispense(cast.odalys, on=date(2026, 2, 1), given="shipped")
    Dispense.objects.filter(pk=gone.pk).update(voided_at=NOW, void_reason="x", parcel="undelivered")
    make_dispense(cast.odalys, supplied_by="elsewhere")
    first, second, third = "Mon 2 Mar", "Mon 9 Mar", "Sun 1 Feb"
    for query, days in [
        ({}, {first, second, third}),
        ({"location": cast.south.pk}, {second}),
        ({"first_on": "2026-03-01", "last_on": "2026-03-02"}, {first}),
        ({"given": "in_person"}, {first}),
        ({"mark": "exceptions"}, {second}),
        ({"mark": "without_proof"}, {first}),  # a voided one needs none
        ({"parcel": "undelivered"}, {third}),
        ({"part_or_lot": "aB12"}, {first}),
        ({"part_or_lot": "aspen"}, {first}),
        ({"part_or_lot": "a7035"}, {second}),
        ({"part_or_lot": "S9"}, {second}),
        ({"location": "999999"}, {first, second, third}),  # said at the field; it narrows nothing
        ({"first_on": "x"}, {first, second, third}),
    ]:
        for view in (BOOK, reverse("desk:book_print")):
            rows = marta.get(view, query).context["rows"]
            assert {day_words(row.dispensed_on, today=TODAY) for row in rows} == days, (view, query)
        assert len(exported(marta, query)) == len(days), query
    wrong = text(marta.get(BOOK, {"first_on": "2026-03-09", "last_on": "2026-03-02"}))
    assert "Enter a day that is not before the first." in wrong


def test_the_desk_of_one_room_sees_that_room_and_exports_nothing(cast: Cast, client: Client) -> None:
    make_dispense(cast.odalys)
    make_dispense(cast.tevin)
    client.force_login(cast.desk.user)
    page = text(client.get(BOOK))
    assert "Brandt" in page
    assert "Okafor" not in page
    assert "Download as CSV" not in page
    assert "Okafor" not in text(client.get(reverse("desk:book_print")))
    assert "Okafor" not in text(client.get(BOOK, {"location": cast.south.pk}))


def many(cast: Cast, number: int) -> None:
    for count in range(number):
        make_dispense(cast.tevin, on=TODAY - timedelta(days=count % 7))


def test_pages_lead_there_and_back_with_their_filters(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    first = marta.get(BOOK, {"given": "in_person", "parcel": ""})
    assert len(first.context["rows"]) == PAGE
    assert first.context["newer_url"] == ""
    second = marta.get(BOOK + first.context["older_url"])
    assert "given=in_person" in first.context["older_url"]
    assert "parcel" not in first.context["older_url"]
    assert len(second.context["rows"]) == 5
    assert second.context["older_url"] == ""
    back = marta.get(BOOK + second.context["newer_url"])
    assert [row.pk for row in back.context["rows"]] == [row.pk for row in first.context["rows"]]
    keys = [(row.dispensed_on, row.pk) for row in [*first.context["rows"], *second.context["rows"]]]
    assert keys == sorted(keys, reverse=True)
    assert len(marta.get(BOOK, {"after": "yesterday_x"}).context["rows"]) == PAGE


def test_the_same_queries_for_one_row_and_for_thirty(cast: Cast, marta: Client) -> None:
    counts = []
    for number in (1, 29):
        for _ in range(number):
            make_proof(make_dispense(make_patient(location=cast.south), lines=[{"item": make_item()}, {}]))
        with CaptureQueriesContext(connection) as queries:
            assert marta.get(BOOK).status_code == 200
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_the_csv_holds_every_part_and_no_formula(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    dispense = make_dispense(
        cast.odalys, on=date(2024, 2, 29), given="shipped", carrier="Parcel post", tracking_id="PP-1",
        lines=[{"lot": "=1+1", "exception_reason": "+x", "notice": "given", "notice_on": date(2024, 2, 29)}],
    )  # fmt: skip
    make_proof(dispense, signed_by="@Jan")
    Patient.objects.filter(pk=cast.odalys.pk).update(given_name="-Oda")
    answer = marta.get(reverse("desk:book_csv"))
    assert answer["Content-Disposition"] == 'attachment; filename="dispensed-2026-03-18.csv"'
    assert answer["Cache-Control"] == "no-store"
    rows = exported(marta)
    assert len(rows) == PAGE + 6
    assert rows[-1] == {
        "slip": dispense.number, "dispensed_on": "2024-02-29", "location": "North room",
        "patient_ref": "1047", "given_name": "'-Oda", "family_name": "Brandt", "given": "shipped",
        "carrier": "Parcel post",
        "tracking_id": "PP-1", "parcel": "", "part_code": "A7032", "description": "Cushion for a nasal mask",
        "item": "", "quantity": "1", "lot": "'=1+1", "serial": "", "expires_on": "",
        "exception_reason": "'+x", "notice": "given", "notice_on": "2024-02-29", "proof": "signed",
        "received_on": "2024-02-29", "signed_by": "'@Jan", "relation": "spouse", "kept_until": "2031-02-28",
        "voided_on": "", "void_reason": "",
    }  # fmt: skip


def test_patients_whose_import_was_undone_are_in_no_book(cast: Cast, marta: Client) -> None:
    make_dispense(cast.odalys)
    Patient.objects.filter(pk=cast.odalys.pk).update(status="withdrawn")
    assert "Odalys" not in text(marta.get(BOOK))
    assert "Odalys" not in text(marta.get(reverse("desk:book_print")))
    assert not exported(marta)


def test_a_void_has_the_day_of_its_location(cast: Cast, marta: Client) -> None:
    dispense = make_dispense(cast.odalys)
    late = datetime(2026, 3, 18, 3, tzinfo=UTC)  # Tuesday evening in the North room
    dispense.lines.update(voided_at=late, void_reason="wrong box")
    assert [row["voided_on"] for row in exported(marta)] == ["2026-03-17"]


def test_paper_has_every_row_and_says_what_it_was_narrowed_to(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    page = marta.get(
        reverse("desk:book_print"),
        {
            "location": cast.south.pk,
            "first_on": "2026-03-01",
            "mark": "without_proof",
            "part_or_lot": "A7032",
        },
    )
    assert (
        f"South room · from Sun 1 Mar · without proof of delivery · “A7032” · {PAGE + 5} dispenses"
        in text(page)
    )
    assert len(page.context["rows"]) == PAGE + 5
    assert "Everything · 55 dispenses" in text(marta.get(reverse("desk:book_print")))


def test_who_may_not_download_the_book_is_not_sent_to(
    cast: Cast, ines: Client, marta: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(2):
        make_dispense(cast.odalys)
    monkeypatch.setattr(book, "PRINTED", 1)
    address = reverse("desk:book_print")
    assert "The first 1 dispenses. Narrow the list for the rest." in text(ines.get(address))
    assert "Narrow the list, or download it as CSV, for the rest." in text(marta.get(address))


def test_an_empty_book_says_what_will_appear(marta: Client) -> None:
    assert "Each dispense appears here with its slip" in text(marta.get(BOOK))
    assert "With other filters there may be." in text(marta.get(BOOK, {"given": "shipped"}))


def test_no_patient_data_in_any_address_of_the_page(cast: Cast, marta: Client) -> None:
    many(cast, PAGE)
    links = re.findall(r'href="([^"]*)"', marta.get(BOOK).content.decode())
    assert len(links) > PAGE
    for link in links:
        assert "Okafor" not in link
        assert "1048" not in link
