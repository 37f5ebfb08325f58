"""Who may read what: no record outside a token's scope is ever given, and every request is on record."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import Integration, Patient, SharedRead, SharedRecord, SharedResource
from resupply.services import sharing
from tests.builders import NOW, make_dispense, make_integration, make_location, make_patient
from tests.cast import Cast
from tests.web.fhir.conftest import Ask

pytestmark = pytest.mark.django_db
KINDS = [resource.value for resource in SharedResource]


def patients_in(answer: Any) -> set[str]:
    """The ids of all patients that an answer is about or names."""
    found = set()

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            if value.get("resourceType") == "Patient":
                found.add(value["id"])
            if str(value.get("reference", "")).startswith("Patient/"):
                found.add(value["reference"].removeprefix("Patient/"))
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(answer.json())
    return found


def test_a_program_of_one_room_gets_nobody_of_another(ask: Ask, records: list[Patient], north: str) -> None:
    make_integration()
    here, there = (str(person.public_id) for person in records)
    for kind in KINDS:
        assert patients_in(ask(kind, north)) == {here}, kind
        assert patients_in(ask(kind)) == {here, there}, kind
        for entry in ask(kind).json()["entry"]:
            resource = entry["resource"]
            is_there = there in str(resource)
            status = ask(f"{kind}/{resource['id']}", north).status_code
            assert status == (404 if is_there else 200), kind
    for name in ("patient", "subject"):
        assert "entry" not in ask(f"Task?{name}=Patient/{there}", north).json()
    assert "entry" not in ask(f"Patient?_id={there}", north).json()


@given(data=st.data())
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_law_what_is_given_is_within_the_scope_however_people_are_spread(
    client: Client, settings: Any, db: None, data: st.DataObject
) -> None:
    settings.FHIR = True
    places = [make_location() for _ in range(3)]
    homes = data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=5))
    people = [make_patient(location=home) for home in homes]
    for person in people:
        make_dispense(person)
    allowed = data.draw(st.sets(st.sampled_from(places), min_size=1))
    kinds = data.draw(st.sets(st.sampled_from(KINDS), min_size=1))
    token = f"token {Integration.objects.count()}"
    make_integration(
        token=token, locations=allowed, resources=sorted(kinds), expires_at=NOW + timedelta(9999)
    )
    inside = {str(person.public_id) for person in people if person.location in allowed}
    for kind in ("Patient", "SupplyDelivery"):
        answer = client.get(f"/fhir/{kind}", headers={"Authorization": f"Bearer {token}"})
        if kind in kinds:
            assert patients_in(answer) == inside
        else:
            assert answer.status_code == 403
            assert patients_in(answer) == set()


def test_a_token_opens_nothing_before_it_is_given_after_it_ends_or_expires(
    ask: Ask, records: list[Patient], cast: Cast
) -> None:
    let_in = sharing.let_in(
        sharing.NewIntegration(
            name="Records",
            purpose="care",
            resources=[SharedResource.PATIENT],
            locations=[],
            expires_at=NOW + timedelta(hours=1),
        ),
        by=cast.administrator.user,
        now=NOW - timedelta(hours=1),
    )
    assert ask("Patient", let_in.token).status_code == 200
    assert ask("Device", let_in.token).status_code == 403
    assert let_in.token not in str(Integration.objects.values().get())
    Integration.objects.update(expires_at=NOW)
    assert ask("Patient", let_in.token).status_code == 401
    Integration.objects.update(expires_at=NOW + timedelta(hours=1))
    sharing.end(let_in.integration, by=None, now=NOW)
    assert ask("Patient", let_in.token).status_code == 401
    for wrong in ("", "x", let_in.token[:-1], let_in.token + "x"):
        answer = ask("Patient", wrong)
        assert (answer.status_code, answer["WWW-Authenticate"]) == (401, 'Bearer realm="records"')


def test_switched_off_there_is_nothing(ask: Ask, records: list[Patient], settings: Any) -> None:
    make_integration()
    settings.FHIR = False
    for path in ("metadata", "Patient", f"Patient/{records[0].public_id}", "", "x/y/z"):
        assert ask(path).status_code == 404
    assert not SharedRead.objects.exists()


def test_every_request_is_kept_with_the_patients_it_was_about(ask: Ask, records: list[Patient]) -> None:
    program = make_integration(resources=["Patient", "SupplyDelivery"])
    ask("SupplyDelivery")
    ask(f"Patient/{records[0].public_id}")
    ask("Patient/00000000-0000-0000-0000-000000000000")
    ask("Task")
    ask("Patient?colour=red")
    kept = [
        (read.resource, read.is_search, read.status, sorted(read.records.values_list("patient_id", "count")))
        for read in program.reads.order_by("pk")
    ]
    both = sorted((person.pk, 2) for person in records)
    assert kept == [
        ("SupplyDelivery", True, 200, both),
        ("Patient", False, 200, [(records[0].pk, 1)]),
        ("Patient", False, 404, []),
        ("Task", True, 403, []),
        ("Patient", True, 400, []),
    ]


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_nothing_can_be_written(client: Client, records: list[Patient], method: str) -> None:
    make_integration()
    headers = {"Authorization": "Bearer a token of a program"}
    for path in ("Patient", f"Patient/{records[0].public_id}", "metadata"):
        answer = getattr(client, method)(f"/fhir/{path}", data="{}", content_type="application/fhir+json",
                                         headers=headers)  # fmt: skip
        assert answer.status_code == 405
        assert "GET" in answer["Allow"]


def test_a_session_of_staff_is_no_token(client: Client, cast: Cast, records: list[Patient]) -> None:
    client.force_login(cast.administrator.user)
    assert client.get("/fhir/Patient").status_code == 401


def test_an_undone_import_and_what_was_said_in_private_stay_here(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    Patient.objects.filter(pk=records[1].pk).update(status="withdrawn")
    assert patients_in(ask("Patient")) == {str(records[0].public_id)}
    assert patients_in(ask("SupplyDelivery")) == {str(records[0].public_id)}
    assert SharedRecord.objects.filter(patient=records[1]).count() == 0
