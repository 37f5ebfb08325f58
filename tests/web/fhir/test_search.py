"""Searches: strict about what they are asked, the same page by page, and silent about who is sought."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from resupply.models import DispenseLine, Patient
from resupply.services.corrections import parcel_lost, void_dispense, void_line
from tests.builders import NOW, TODAY, make_dispense, make_integration, make_order, make_patient
from tests.cast import Cast
from tests.web.fhir.conftest import Ask

pytestmark = pytest.mark.django_db


def ids(answer: Any) -> list[str]:
    return [entry["resource"]["id"] for entry in answer.json().get("entry", [])]


def test_pages_give_every_record_once_in_one_order(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    for days in range(7):
        make_dispense(records[0], on=TODAY - timedelta(days=days))
    whole = ids(ask("SupplyDelivery?_count=100"))
    assert len(whole) == len(set(whole)) == DispenseLine.objects.count() == 11
    paged: list[str] = []
    path = "SupplyDelivery?_count=4"
    while path:
        answer = ask(path)
        paged += ids(answer)
        links = {link["relation"]: link["url"] for link in answer.json()["link"]}
        path = links.get("next", "").removeprefix("https://clinic.example/fhir/")
    assert paged == whole


def test_a_page_costs_the_same_for_few_and_for_many(
    ask: Ask, records: list[Patient], django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    make_integration()
    # The program, its locations, the rows (a task's parts besides); the record of it, between two savepoints;
    # the read log.
    for kind, queries in (("Patient", 8), ("SupplyDelivery", 8), ("DeviceRequest", 8), ("Task", 9)):
        for count in (1, 50):
            with django_assert_num_queries(queries):
                ask(f"{kind}?_count={count}")


def test_who_is_sought_goes_in_the_body_alone(ask: Ask, client: Client, records: list[Patient]) -> None:
    make_integration()
    person = records[0]
    for query in (f"identifier={person.reference}", f"birthdate={person.birth_date}"):
        assert ask(f"Patient?{query}").status_code == 400
    headers = {"Authorization": "Bearer a token of a program"}
    for body in (
        {"identifier": f"https://clinic.example/ns/reference|{person.reference}"},
        {"birthdate": str(person.birth_date), "active": "true"},
    ):
        answer = client.post("/fhir/Patient/_search", body, headers=headers)
        assert ids(answer) == [str(person.public_id)]
        assert person.reference not in str(answer.json()["link"])
        assert str(person.birth_date) not in str(answer.json()["link"])


def test_days_and_states_narrow_orders(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    person = records[0]
    make_order(person, ordered_on=date(2025, 1, 1), ends_on=date(2025, 12, 31))
    make_order(person, ordered_on=date(2025, 6, 1), ends_on=None, voided_at=NOW, void_reason="another person")
    mine = f"DeviceRequest?patient={person.public_id}"
    told = {
        query: sorted(entry["resource"]["authoredOn"] for entry in ask(mine + query).json().get("entry", []))
        for query in (
            "&status=active",
            "&status=completed",
            "&status=entered-in-error",
            "&status=active,completed",
            "&status=draft",
            "&authored-on=2025-06-01",
            "&authored-on=ge2025-01-01&authored-on=lt2025-06-01",
            "&authored-on=gt2025-06-01",
        )
    }
    assert told == {
        "&status=active": ["2026-01-05"],
        "&status=completed": ["2025-01-01"],
        "&status=entered-in-error": ["2025-06-01"],
        "&status=active,completed": ["2025-01-01", "2026-01-05"],
        "&status=draft": [],
        "&authored-on=2025-06-01": ["2025-06-01"],
        "&authored-on=ge2025-01-01&authored-on=lt2025-06-01": ["2025-01-01"],
        "&authored-on=gt2025-06-01": ["2026-01-05"],
    }


@pytest.mark.parametrize(
    "query",
    ["colour=red", "_count=0", "_count=x", "_page=forged", "patient=Odalys", "authored-on=2026-13-01",
     "authored-on=soon", "_format=xml", "status=", "_id=a&_id=b", "patient=Device/x", "_sort=status"],
)  # fmt: skip
def test_what_is_not_understood_is_refused(ask: Ask, records: list[Patient], query: str) -> None:
    make_integration()
    answer = ask(f"Task?{query}")
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


ACTIVE = [
    ("true", 1), ("false", 1), ("true,false", 2), ("http://hl7.org/fhir/special-values|true", 1),
    ("yes", None), ("true,no", None), ("TRUE", None),
]  # fmt: skip
"""HL7 FHIR R4: a boolean is `true` or `false` (2.24.0.1); another word is no value at all, and that an error
(3.1.1.3); both from memory.
"""


@pytest.mark.parametrize(("words", "found"), ACTIVE)
def test_active_is_true_or_false(ask: Ask, words: str, found: int | None) -> None:
    make_integration()
    make_patient()
    make_patient(status="ended")
    answer = ask(f"Patient?active={words}")
    if found is None:
        assert (answer.status_code, answer.json()["resourceType"]) == (400, "OperationOutcome")
    else:
        assert len(ids(answer)) == found


def test_a_void_is_told_as_entered_in_error_and_a_lost_parcel_as_abandoned(
    ask: Ask, records: list[Patient]
) -> None:
    """As HL7 FHIR R4 defines SupplyDelivery Status: abandoned is a delivery that was not completed."""
    make_integration()
    lost = make_dispense(records[0], on=TODAY, lines=({}, {"part_code": "A7038"}), given="shipped")
    void_line(lost.lines.get(position=1), reason="wrong size", by=None, now=NOW)
    parcel_lost(lost, on=TODAY, by=None, now=NOW + timedelta(minutes=1))
    void_dispense(wrong := make_dispense(records[0], on=TODAY), reason="another person", by=None, now=NOW)
    told = {
        f"{lost.public_id}-0": "abandoned",
        f"{lost.public_id}-1": "entered-in-error",
        f"{wrong.public_id}-0": "entered-in-error",
    }
    assert {path: ask(f"SupplyDelivery/{path}").json()["status"] for path in told} == told
    for status in ("abandoned", "entered-in-error"):
        wanted = {path for path, one in told.items() if one == status}
        assert set(ids(ask(f"SupplyDelivery?status={status}"))) == wanted
    assert not set(ids(ask("SupplyDelivery?status=completed"))) & set(told)


def test_what_the_caller_has_is_not_sent_again(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    path = f"Patient/{records[0].public_id}"
    first = ask(path)
    assert first["ETag"] == f'W/"{first.json()["meta"]["versionId"]}"'
    again = ask(path, **{"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    Patient.objects.filter(pk=records[0].pk).update(phone="+1 303 555 0199")
    assert ask(path, **{"If-None-Match": first["ETag"]}).status_code == 200


def test_xml_is_not_given(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    assert ask("Patient", Accept="application/fhir+xml").status_code == 406
    assert ask("Patient", Accept="application/fhir+xml;q=0.9, application/fhir+json").status_code == 200
    assert ask("Patient", Accept="*/*").status_code == 200


@pytest.mark.parametrize("sort", ["application/json", "application/fhir+json", "text/plain"])
def test_parameters_in_no_form_are_refused_not_read_past(client: Client, cast: Cast, sort: str) -> None:
    """R4 3.1.1.1: the body of a POST to _search is application/x-www-form-urlencoded."""
    make_integration()
    headers = {"Authorization": "Bearer a token of a program"}
    body = '{"identifier": "nobody"}'
    answer = client.post("/fhir/Patient/_search", body, content_type=sort, headers=headers)
    assert answer.status_code == 415
    assert answer.json()["resourceType"] == "OperationOutcome"
    bare = client.post("/fhir/Patient/_search", "", content_type=sort, headers=headers)
    assert len(ids(bare)) == 2  # nothing was asked for


def test_a_sign_that_no_record_can_hold_finds_nothing(ask: Ask, client: Client) -> None:
    make_integration()
    headers = {"Authorization": "Bearer a token of a program"}
    assert client.post("/fhir/Patient/_search", {"identifier": "a\0b"}, headers=headers).status_code == 400
    assert ask("Task?status=%00").status_code == 400
    assert ask("%00").status_code == 404
