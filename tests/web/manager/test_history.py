"""The page History: who saw and changed what, by patient, person and day; and an accounting of
disclosures.
"""

import csv
import io
from datetime import timedelta
from typing import Any

import pghistory
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from resupply.models import Location, PatientRead, ReadKind, SharedResource
from resupply.queries import history_log as log
from resupply.queries.disclosures import accounting
from resupply.queries.history_log import Wanted
from resupply.services.reads import log_read
from resupply.services.seals import seal
from resupply.services.sharing import record_read
from tests.builders import NOW, TODAY, make_dispense, make_event, make_integration, make_packet
from tests.cast import Cast

pytestmark = pytest.mark.django_db
PAGE = "/manager/history/"


def read(cast: Cast, *patients: int, role: str = "desk", minutes: int = 0, **over: Any) -> None:
    log_read(cast.user(role), patients, "desk:patient", now=NOW + timedelta(minutes=minutes), **over)


def table(answer: Any) -> list[list[str]]:
    return list(csv.reader(io.StringIO(b"".join(answer.streaming_content).decode())))


def test_reads_are_found_by_patient_person_and_day(cast: Cast, marta: Client) -> None:
    odalys, tevin = cast.odalys.pk, cast.tevin.pk
    read(cast, odalys, minutes=1, emergency=4)
    read(cast, odalys, tevin, role="therapist", minutes=2)
    read(cast, tevin, minutes=60 * 24 * 3)
    every = marta.get(PAGE)
    assert [row.patients for row in every.context["rows"]] == ["Tevin Okafor", "2 patients", "Odalys Brandt"]
    assert [row.is_emergency for row in every.context["rows"]] == [False, False, True]
    about = marta.get(PAGE, {"patient": str(cast.odalys.public_id)})
    assert [row.who for row in about.context["rows"]] == ["marta", "theo", "ines"]  # she looked just now
    mine = marta.get(PAGE, {"person": cast.therapist.pk})
    assert [row.patients for row in mine.context["rows"]] == ["2 patients"]
    early = marta.get(PAGE, {"until": TODAY.isoformat()})
    assert len(early.context["rows"]) == 2
    assert len(marta.get(PAGE, {"since": (TODAY + timedelta(days=1)).isoformat()}).context["rows"]) > 0
    for nonsense in ({"patient": "x"}, {"patient": str(cast.desk.user.pk)}):
        assert marta.get(PAGE, nonsense).status_code == 404
    assert marta.get(PAGE, {"person": "x", "since": "y", "before": "z~1"}).status_code == 200


def test_pages_follow_each_other_without_a_gap(cast: Cast, marta: Client) -> None:
    PatientRead.objects.bulk_create(
        PatientRead(at=NOW, kind=ReadKind.PAGE, page=f"page {n}", patients=[cast.odalys.pk])
        for n in range(120)
    )
    shown, address = [], f"{PAGE}?until={TODAY.isoformat()}"
    while address:
        page = marta.get(address)
        context = page.context
        assert ("← First page" in page.content.decode()) == bool(shown)  # the one way back that is known
        assert "Previous page" not in page.content.decode()
        shown += [row.what for row in context["rows"]]
        address = PAGE + context["older_url"] if context["older_url"] else ""
    assert shown == [f"Page {n}" for n in reversed(range(120))]


def test_changes_of_a_patient_name_record_and_person(cast: Cast, marta: Client) -> None:
    with pghistory.context(user=cast.desk.user.pk, url="/desk/dispense/"):
        made = make_dispense(cast.odalys)
        make_event(cast.odalys, "swap", on=TODAY)
    asked = {"kind": "changed", "patient": str(cast.odalys.public_id)}
    rows = marta.get(PAGE, asked | {"person": cast.desk.pk}).context["rows"]
    nouns = {row.what for row in rows}
    assert {"dispense recorded", "dispense line recorded", "event recorded"} <= nouns
    assert {(row.who, row.where) for row in rows} == {("ines", "/desk/dispense/")}
    assert marta.get(PAGE, asked | {"person": cast.therapist.pk}).context["rows"] == []
    about_tevin = marta.get(PAGE, asked | {"patient": str(cast.tevin.public_id)}).context["rows"]
    assert not any("dispense" in row.what for row in about_tevin)
    whole = [(one.at, one.key) for one in log.everything(Wanted(patient=cast.odalys), is_seen=False)]
    small = [(one.at, one.key) for one in log.everything(Wanted(patient=cast.odalys), is_seen=False, page=2)]
    assert small == whole
    assert len(set(whole)) == len(whole) > 4
    assert made.pk


def test_without_a_patient_changes_are_listed_by_request(cast: Cast, marta: Client) -> None:
    for who in (cast.desk, cast.therapist, cast.desk):
        with pghistory.context(user=who.user.pk, url="/desk/dispense/"):
            make_dispense(cast.odalys, lines=[{}, {"part_code": "A7034"}])
    rows = marta.get(PAGE, {"kind": "changed", "person": cast.desk.pk}).context["rows"]
    assert len(rows) == 2
    assert "dispense line recorded ×2" in rows[0].what
    small = [one.key for one in log.everything(Wanted(), is_seen=False, page=1)]
    assert len(small) == len(set(small)) >= 3


def test_a_page_costs_the_same_for_one_row_and_for_many(cast: Cast, marta: Client) -> None:
    for kind in ("seen", "changed"):
        counts = []
        for number in (1, 29):
            for minute in range(number):
                read(cast, cast.odalys.pk, minutes=minute)
                with pghistory.context(user=cast.desk.user.pk, url="/x/"):
                    make_event(cast.odalys, "swap", on=TODAY)
            with CaptureQueriesContext(connection) as queries:
                assert marta.get(PAGE, {"kind": kind}).status_code == 200
            counts.append(len(queries))
        assert counts[0] == counts[1], kind


def test_a_manager_of_one_room_sees_its_people_and_its_patients(cast: Cast, marta: Client) -> None:
    cast.manager.locations.set([cast.north])
    cast.therapist.locations.set([cast.south])
    read(cast, cast.odalys.pk, cast.tevin.pk)
    read(cast, cast.tevin.pk, minutes=1)
    read(cast, cast.odalys.pk, role="therapist")
    rows = marta.get(PAGE).context["rows"]
    assert [(row.who, row.patients) for row in rows] == [("ines", "a patient"), ("ines", "2 patients")]
    assert marta.get(PAGE, {"patient": str(cast.tevin.public_id)}).status_code == 404
    for name in ("manager:disclosures", "manager:disclosures_csv"):
        assert marta.get(reverse(name, args=[cast.tevin.public_id])).status_code == 404
    lines = table(marta.get("/manager/history.csv"))
    assert [line[6] for line in lines[1:] if line[1] == "ines"] == ["", "1047"]
    assert not any("1048" in cell for line in lines for cell in line)


def test_it_goes_out_as_csv_and_as_a_workbook(cast: Cast, marta: Client) -> None:
    read(cast, cast.odalys.pk, came_from="desk:find", emergency=9)
    header, *lines = table(marta.get("/manager/history.csv"))
    assert dict(zip(header, lines[0], strict=True)) | {"at": ""} == {
        "at": "", "who": "ines", "kind": "page", "page": "desk:patient", "came_from": "desk:find",
        "emergency_access": "9", "patients": "1047", "what": "",
    }  # fmt: skip
    answer = marta.get("/manager/history.xlsx")
    sheet = load_workbook(io.BytesIO(b"".join(answer.streaming_content))).active  # type: ignore[attr-defined]
    assert sheet is not None
    assert [cell.value for cell in sheet[2]][1:4] == ["ines", "page", "desk:patient"]
    with pghistory.context(user=cast.desk.user.pk, url="/x/"):
        make_dispense(cast.odalys)
    changes = table(marta.get("/manager/history.csv", {"kind": "changed"}))
    assert "dispense line: insert ×1" in changes[1][-1]


def test_the_page_says_what_to_keep_outside_and_how_long_records_stay(cast: Cast, marta: Client) -> None:
    assert "not sealed yet" in marta.get(PAGE).content.decode()
    made = seal(now=NOW)
    assert made is not None
    page = marta.get(PAGE).content.decode()
    assert f"{made.number}:{made.digest}" in page
    assert "45 CFR 164.316(b)(2)(i)" in page


def test_an_accounting_says_when_to_whom_what_and_why_for_six_years(cast: Cast, marta: Client) -> None:
    program = make_integration()
    for at in (NOW, NOW - timedelta(days=6 * 366)):
        record_read(
            program,
            SharedResource.PATIENT,
            is_search=False,
            status=200,
            patient_ids=[cast.odalys.pk] * 2,
            now=at,
        )
    make_packet(make_dispense(cast.odalys))
    read(cast, cast.odalys.pk, cast.tevin.pk, role="manager", kind=ReadKind.FILE)
    read(cast, cast.odalys.pk)  # a page that staff see is none
    rows = {row.way: row for row in accounting(cast.odalys, today=TODAY)}
    assert len(accounting(cast.odalys, today=TODAY)) == 3
    assert (rows["program"].to, rows["program"].what, rows["program"].purpose) == (
        program.name,
        "2 × Patients",
        program.purpose,
    )
    assert rows["program"].asked_for == "yes unless treatment"
    assert rows["packet"].asked_for == "no: payment"
    assert rows["file"].what == "patient, taken out by marta"
    page = marta.get(reverse("manager:disclosures", args=[cast.odalys.public_id]))
    assert "Not in it:" in page.content.decode()
    assert "The program knows of no disclosure" not in marta.get(f"{page.request['PATH_INFO']}?page=9").text
    lines = table(marta.get(reverse("manager:disclosures_csv", args=[cast.odalys.public_id])))
    assert lines[0] == ["at", "way", "to", "what", "purpose", "asked_for_by_law"]
    assert Location.objects.count() == 2
