"""The read log: each answer that shows a patient's record is kept, with who, which page and where from."""

from typing import Any

import pytest
import time_machine
from django.db import ProgrammingError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import PatientRead, ReadKind
from resupply.queries.seal_check import check
from resupply.services.reads import log_read
from resupply.services.seals import seal
from tests.builders import NOW, TOKEN, make_dispense, make_integration, make_own_page
from tests.cast import Cast

pytestmark = pytest.mark.django_db


def of(cast: Cast, role: str) -> Client:
    client = Client()
    client.force_login(cast.user(role))
    return client


def page_of(cast: Cast) -> str:
    return reverse("desk:patient", args=[cast.odalys.public_id])


def test_a_page_is_kept_with_who_what_and_where_from_in_one_insert(cast: Cast) -> None:
    ines = of(cast, "desk")
    found = f"http://testserver{reverse('desk:find')}?secret=1"
    with CaptureQueriesContext(connection) as queries:
        assert ines.get(page_of(cast), headers={"referer": found}).status_code == 200
    inserts = [one["sql"] for one in queries if "resupply_patientread" in one["sql"]]
    assert len(inserts) == 1
    row = PatientRead.objects.get()
    assert (row.user, row.page, row.came_from) == (cast.desk.user, "desk:patient", "desk:find")
    assert (row.patients, row.kind, row.emergency) == ([cast.odalys.pk], ReadKind.PAGE, None)


def test_what_shows_nobody_is_not_kept(cast: Cast) -> None:
    ines = of(cast, "desk")
    elsewhere = reverse("desk:patient", args=[cast.tevin.public_id])
    assert ines.get(elsewhere).status_code == 404
    assert of(cast, "outsider").get(page_of(cast)).status_code == 403
    assert Client().get(page_of(cast)).status_code == 302
    assert ines.get(reverse("login")).status_code == 302
    assert not PatientRead.objects.exists()


def test_a_page_of_many_names_all_of_them_in_one_row(cast: Cast) -> None:
    of(cast, "manager").post(reverse("desk:find"), {"q": "1"})
    of(cast, "manager").post(reverse("desk:find"), {"q": "10"})
    rows = [sorted(row.patients) for row in PatientRead.objects.all()]
    assert rows
    assert all(row == sorted([cast.odalys.pk, cast.tevin.pk]) for row in rows)


def test_a_list_taken_out_is_kept_when_it_has_been_sent(cast: Cast) -> None:
    make_dispense(cast.odalys)
    answer = of(cast, "manager").get(reverse("desk:book_csv"))
    assert not PatientRead.objects.filter(page="desk:book_csv").exists()
    assert b"Brandt" in b"".join(answer.streaming_content)  # type: ignore[attr-defined] # a stream
    row = PatientRead.objects.get(page="desk:book_csv")
    assert (row.kind, row.user, row.patients) == (ReadKind.FILE, cast.manager.user, [cast.odalys.pk])


def test_the_patient_on_the_own_page_is_kept_and_staff_who_look_at_it_too(cast: Cast) -> None:
    page = make_own_page(cast.odalys)
    answer = Client().get(reverse("me:page", args=[page.token]))
    assert answer.status_code == 200
    row = PatientRead.objects.get()
    assert (row.user, row.kind, row.page) == (None, ReadKind.OWN, "me:page")
    assert row.link is not None
    assert row.patients == [cast.odalys.pk]
    assert page.token not in repr(PatientRead.objects.values())
    of(cast, "desk").get(reverse("desk:own_page", args=[cast.odalys.public_id]))
    looked = PatientRead.objects.filter(user=cast.desk.user).latest("pk")
    assert (looked.kind, looked.page, looked.link) == (ReadKind.PAGE, "desk:own_page", None)


def test_a_program_is_kept_with_its_token(cast: Cast, settings: Any) -> None:
    settings.FHIR = True
    made = make_integration()
    with time_machine.travel(NOW, tick=False):
        answer = Client().get("/fhir/Patient", headers={"authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200
    row = PatientRead.objects.get()
    assert (row.integration, row.kind, row.page, row.user) == (
        made,
        ReadKind.PROGRAM,
        "fhir:search",
        None,
    )
    assert cast.odalys.pk in row.patients


def test_nobody_changes_it_and_a_seal_covers_it(cast: Cast) -> None:
    log_read(cast.desk.user, range(1, 6001), "desk:patient", now=NOW, emergency=3)
    assert [len(row.patients) for row in PatientRead.objects.order_by("id")] == [5000, 1000]
    log_read(cast.desk.user, [], "desk:patient", now=NOW)
    assert PatientRead.objects.count() == 2
    for statement in ("UPDATE resupply_patientread SET page = 'x'", "DELETE FROM resupply_patientread"):
        with pytest.raises(ProgrammingError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    seal(now=NOW)
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute("UPDATE resupply_patientread SET page = 'x' WHERE emergency = 3")
    assert [problem.where for problem in check().problems] == ["resupply_patientread"]
