"""Uploads: received, checked by a worker, mended, written or given up."""

from datetime import timedelta

import pytest
from django.db import transaction

from clinic.accounts.models import User
from resupply.models import (
    Consent,
    DispenseLine,
    FilePart,
    ImportBatch,
    Patient,
    Upload,
    UploadFile,
    UploadProblem,
    UploadState,
)
from resupply.services import uploads
from resupply.services.errors import Refused
from resupply.services.importing.undo import undo_import
from resupply.services.uploads import Sent, working
from tests.builders import NOW, make_user
from tests.services.importing import DISPENSES, EVENTS, PATIENT, on_record
from tests.services.importing_books import book
from tests.services.uploading import GOOD, csv, now, part, send, send_bad, send_good

pytestmark = pytest.mark.django_db(transaction=True)  # the pulse looks in from a connection of its own


@pytest.fixture
def manager() -> User:
    return make_user(username="marta")


def test_sent_checked_accepted_and_written(manager: User) -> None:
    upload = send_good(manager)
    assert now(upload).state == UploadState.WAITING
    before = on_record()
    assert uploads.work(now=NOW)
    checked = now(upload)
    assert (checked.state, checked.report["errors"], checked.leased_until) == (UploadState.CHECKED, 0, None)
    assert checked.report["added"] == {
        "patients": 1, "lives": 0, "allowances": 0, "dispenses": 1, "events": 0
    }  # fmt: skip
    assert on_record() == before
    assert not uploads.work(now=NOW)
    other = make_user()
    uploads.accept(upload, by=other)
    assert uploads.work(now=NOW)
    written = now(upload)
    assert (written.state, written.accepted_by) == (UploadState.COMMITTED, other)
    assert DispenseLine.objects.count() == 1
    batch = ImportBatch.objects.get()
    assert written.batch == batch
    assert (batch.imported_by, batch.file_names) == (other, ["dispenses.csv", "patients.csv"])
    assert batch.imported_at >= NOW
    assert {bytes(file.content) for file in UploadFile.objects.all()} == {b""}
    assert not UploadProblem.objects.exists()
    assert not uploads.work(now=NOW)


def test_a_workbook_goes_the_same_way(manager: User) -> None:
    header, row = DISPENSES.split(","), ["P1", NOW.date(), "A7032", 2, None, True]
    sheets = {"patients": [line.split(",") for line in PATIENT.splitlines()], "dispenses": [header, row]}
    upload = send(manager, Sent("Old list.XLSX", book(sheets)))
    uploads.work(now=NOW)
    assert now(upload).report["errors"] == 0
    uploads.accept(upload, by=manager)
    uploads.work(now=NOW)
    assert DispenseLine.objects.get().billed
    assert ImportBatch.objects.get().file_names == ["Old list.XLSX"]


def test_the_yes_to_mail_is_asked_for(manager: User) -> None:
    upload = send(manager, csv("patients", PATIENT), mail_consent=False)
    uploads.work(now=NOW)
    uploads.accept(upload, by=manager)
    uploads.work(now=NOW)
    assert Patient.objects.get().email
    assert not Consent.objects.exists()


# --- rows at fault, handed back and taken in again ---


def test_rows_at_fault_are_handed_back_and_mended_take_their_places(manager: User) -> None:
    upload = send_bad(manager)
    uploads.work(now=NOW)
    checked = now(upload)
    assert (checked.report["errors"], checked.report["failed"]) == (2, {"dispenses": [3]})
    assert [(p.file, p.row, p.column, p.value) for p in upload.problems.order_by("pk")] == [
        ("dispenses.csv", 3, "dispensed_on", "2026-02-30"),
        ("dispenses.csv", 3, "quantity", "-1"),
    ]
    failed = part(upload, FilePart.FAILED)["dispenses"]
    assert failed.splitlines()[0] == f"row_in_file,{DISPENSES},what_is_wrong,what_to_do"
    assert failed.count("\n") == 2
    assert "'=Aspen" in failed
    with pytest.raises(Refused) as refused:
        uploads.accept(upload, by=manager)
    assert refused.value.code == "has_errors"

    half = failed.replace("2026-02-30", "2026-02-28")
    uploads.take_back_mended(upload, [Sent("dispenses-to-mend.csv", half.encode())])
    uploads.work(now=NOW)
    assert now(upload).report["failed"] == {"dispenses": [3]}
    again = part(upload, FilePart.FAILED)["dispenses"]
    assert again.count("row_in_file") == again.count("what_to_do") == 1
    mended = again.replace(",'-1,", ",1,").replace(",", ";").replace("\n", "\r\n")
    uploads.take_back_mended(upload, [Sent("dispenses (1).csv", b"\xef\xbb\xbf" + mended.encode())])
    uploads.work(now=NOW)
    assert now(upload).report["errors"] == 0
    uploads.accept(upload, by=manager)
    uploads.work(now=NOW)
    lines = DispenseLine.objects.order_by("pk").values_list("part_code", "quantity", "family")
    assert list(lines) == [("A7032", 2, ""), ("A7032", 1, "=Aspen"), ("A7038", 2, "")]


def test_a_row_taken_out_is_left_out_and_a_new_one_comes_last(manager: User) -> None:
    upload = send_bad(manager)
    uploads.work(now=NOW)
    uploads.take_back_mended(
        upload, [csv("dispenses", f"row_in_file,{DISPENSES}\n,{GOOD.replace('A7032', 'A7033')}\n")]
    )
    uploads.work(now=NOW)
    assert now(upload).report["rows"] == {"patients": 1, "dispenses": 3}
    uploads.accept(upload, by=manager)
    uploads.work(now=NOW)
    assert list(DispenseLine.objects.order_by("pk").values_list("part_code", flat=True)) == [
        "A7032", "A7038", "A7033"
    ]  # fmt: skip


def test_a_formula_in_a_workbook_is_mended_by_a_csv_and_never_slips_through(manager: User) -> None:
    header = DISPENSES.split(",")
    row = ["P1", NOW.date(), "A7032", 1, None, True, None, "=A1"]
    sheets = {
        "patients": [line.split(",") for line in PATIENT.splitlines()],
        "dispenses": [header, row],
        "events": [EVENTS.split(","), ["P1", "swap", "nose", NOW.date()]],
    }
    upload = send(manager, Sent("list.xlsx", book(sheets)))
    uploads.work(now=NOW)
    assert now(upload).report["failed"] == {"dispenses": [2], "events": [2]}
    events = part(upload, FilePart.FAILED)["events"]
    uploads.take_back_mended(upload, [csv("events", events.replace("nose", "cushion"))])
    uploads.work(now=NOW)
    assert now(upload).report["failed"] == {"dispenses": [2]}
    dispenses = part(upload, FilePart.FAILED)["dispenses"]
    with pytest.raises(Refused, match="row 2: the cell holds a formula"):
        uploads.take_back_mended(upload, [Sent("l.xlsx", book({"dispenses": [header, row]}))])
    uploads.take_back_mended(upload, [csv("dispenses", dispenses.replace("'=A1", "L1"))])
    uploads.work(now=NOW)
    assert now(upload).report["errors"] == 0


def test_mended_rows_that_cannot_be_read_take_nothing_out(manager: User) -> None:
    upload = send_bad(manager)
    uploads.work(now=NOW)
    with pytest.raises(Refused) as refused:
        uploads.take_back_mended(upload, [csv("dispenses", "patient_ref,quantity\nP1,1\n")])
    assert refused.value.code == "unreadable"
    assert "add it" in refused.value.message
    assert now(upload).state == UploadState.CHECKED
    assert part(upload, FilePart.RETURNED) == {}


# --- no ---


@pytest.mark.parametrize(
    ("files", "code"),
    [
        ([], "no_files"),
        ([Sent("notes.csv", b"x")], "unknown_file"),
        ([Sent("list.xls", b"x")], "unknown_file"),
        ([Sent("patients.csv", b"")], "empty_file"),
        ([Sent("patients.csv", b"x"), Sent("Patients (2).csv", b"x")], "twice"),
        ([Sent("patients.csv", b"x"), Sent("list.xlsx", b"x")], "workbook_alone"),
        ([Sent("patients.csv", b"x" * (uploads.MOST_BYTES + 1))], "too_big"),
    ],
)
def test_files_that_are_not_kept(manager: User, files: list[Sent], code: str) -> None:
    with pytest.raises(Refused) as refused:
        send(manager, *files)
    assert (refused.value.code, refused.value.field) == (code, "sent")
    assert not Upload.objects.exists()


def test_what_is_on_record_already_is_not_written_again(manager: User) -> None:
    for _ in range(2):
        upload = send_good(manager)
        uploads.work(now=NOW)
        with pytest.raises(Refused) if ImportBatch.objects.exists() else transaction.atomic() as refused:
            uploads.accept(upload, by=manager)
        uploads.work(now=NOW)
    assert refused.value.code == "nothing_new"
    assert ImportBatch.objects.count() == 1


def test_a_list_with_more_rows_than_are_read(manager: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(working, "MOST_ROWS", 1)
    upload = send_good(manager)
    uploads.work(now=NOW)
    assert "the list has 2 rows" in upload.problems.get().wrong


def test_given_up_nothing_is_left_but_names(manager: User) -> None:
    upload = send_bad(manager)
    uploads.work(now=NOW)
    uploads.give_up(upload)
    assert now(upload).state == UploadState.DROPPED
    assert [(file.part, bytes(file.content)) for file in upload.files.all()] == [("sent", b"")] * 2
    assert not upload.problems.exists()
    with pytest.raises(Refused):
        uploads.accept(upload, by=manager)
    assert not uploads.work(now=NOW)


def test_a_list_nobody_decides_on_is_given_up(manager: User) -> None:
    upload = send_good(manager)
    uploads.work(now=NOW)
    uploads.work(now=NOW + uploads.KEPT - timedelta(seconds=1))
    assert now(upload).state == UploadState.CHECKED
    uploads.work(now=NOW + uploads.KEPT)
    assert now(upload).state == UploadState.DROPPED
    assert {bytes(file.content) for file in upload.files.all()} == {b""}


def test_what_is_being_written_cannot_be_given_up(manager: User) -> None:
    upload = send_good(manager)
    uploads.work(now=NOW)
    uploads.accept(upload, by=manager)
    for _ in range(2):
        with pytest.raises(Refused) as refused:
            uploads.give_up(upload)
        assert refused.value.code in {"being_written", "written"}
        uploads.work(now=NOW)
    assert refused.value.code == "written"


def test_a_record_that_changed_since_the_check_stops_the_write(manager: User) -> None:
    """The patient's import is undone between check and write of the next list."""
    upload = send_good(manager)
    uploads.work(now=NOW)
    uploads.accept(upload, by=manager)
    uploads.work(now=NOW)
    second = send(manager, csv("dispenses", f"{DISPENSES}\n{GOOD.replace('A7032', 'A7038')}\n"))
    uploads.work(now=NOW)
    uploads.accept(second, by=manager)
    undo_import(ImportBatch.objects.get(), reason="wrong", by=None, now=NOW)
    uploads.work(now=NOW)
    stopped = now(second)
    assert (stopped.state, stopped.report["errors"]) == (UploadState.CHECKED, 1)
    assert DispenseLine.objects.filter(voided_at=None).count() == 0
    assert "neither in patients.csv nor on record" in second.problems.get().wrong
