"""The pages of imports: what is sent, what is refused, how a list stands, what is handed back and undone."""

import re
from io import BytesIO
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from resupply.models import (
    FilePart,
    ImportBatch,
    Patient,
    Upload,
    UploadFile,
    UploadProblem,
    UploadState,
)
from resupply.services.importing import import_folder
from resupply.services.importing.columns import TABLES
from resupply.web.desk.imports.words import COLUMNS, amounts
from tests.builders import NOW, make_batch, make_upload, make_user
from tests.cast import Cast
from tests.services.importing import DISPENSES, PATIENT, bring, write

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(cast: Cast, client: Client) -> Client:
    client.force_login(cast.manager.user)
    return client


def sent(name: str, content: str) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content.encode(), "text/csv")


def of(upload: Upload, view: str = "upload", *more: object) -> str:
    return reverse(f"desk:import_{view}", args=[upload.public_id, *more])


def test_files_are_kept_for_a_worker_and_nothing_is_written(page: Client, cast: Cast) -> None:
    files = [sent("patients.csv", PATIENT), sent("Dispenses (1).csv", f"{DISPENSES}\n")]
    answer = page.post(reverse("desk:import_new"), {"sent": files, "mail_consent": "on"})
    upload = Upload.objects.get()
    assert answer["Location"] == of(upload)
    assert (upload.state, upload.uploaded_by, upload.mail_consent) == ("waiting", cast.manager.user, True)
    kept = upload.files.order_by("table").values_list("table", "file_name")
    assert list(kept) == [("dispenses", "Dispenses (1).csv"), ("patients", "patients.csv")]
    assert Patient.objects.count() == 2
    shown = page.get(of(upload)).content.decode()
    assert "waiting to be checked" in shown
    assert "patients.csv" in page.get(reverse("desk:imports")).content.decode()


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ([], "Choose the files of the list"),
        ([sent("notes.csv", "x")], "notes.csv is not read"),
        ([sent("patients.csv", "")], "patients.csv is empty"),
        ([sent("patients.csv", "x"), sent("patients.csv", "x")], "Two files are for patients"),
        ([sent("patients.csv", "x"), sent("list.xlsx", "x")], "Send a workbook alone"),
    ],
)
def test_what_is_not_kept_is_said_and_the_choice_about_mail_stays(
    page: Client, files: list[SimpleUploadedFile], said: str
) -> None:
    answer = page.post(reverse("desk:import_new"), {"sent": files})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert 'name="mail_consent"' in answer.content.decode()
    assert not re.search(r'name="mail_consent"[^>]*checked', answer.content.decode())
    assert not Upload.objects.exists()


def test_a_request_that_is_too_long_is_not_read(page: Client) -> None:
    """Files stay in memory; where the request is longer than they may be, none is kept at all."""
    answer = page.post(reverse("desk:import_new"), {"sent": [sent("patients.csv", "x" * 22_000_000)]})
    assert answer.status_code == 422
    assert "20 MB together" in answer.content.decode()
    assert not UploadFile.objects.exists()


def test_the_page_asks_again_while_a_worker_is_at_it_and_shows_itself_anew_once_it_is_done(
    page: Client,
) -> None:
    upload = make_upload(state="checking", progress={"stage": "check", "done": 1200, "of": 9000})
    htmx = {"HX-Request": "true"}
    part = page.get(of(upload), headers=htmx).content.decode()
    assert "Checking the rows: 1,200 of 9,000" in part
    assert f'hx-get="{of(upload)}"' in part
    assert "<html" not in part
    whole = page.get(of(upload)).content.decode()
    assert "Checking the rows: 1,200 of 9,000" in whole
    assert "Import this list" not in whole
    Upload.objects.update(state="checked")
    assert page.get(of(upload), headers=htmx)["HX-Refresh"] == "true"


def test_faults_are_listed_row_by_row_and_cannot_be_written(page: Client) -> None:
    upload = make_upload()
    shown = page.get(of(upload)).content.decode()
    for words in ("dispenses.csv, row 3", "2026-02-30", "there is no day 30", "write a day from 01 to 28"):
        assert words in shown
    assert "Import this list" not in shown
    assert page.post(of(upload, "accept")).status_code == 422
    assert Upload.objects.get().state == UploadState.CHECKED


def test_thousands_of_problems_come_in_pages_at_the_same_cost(page: Client) -> None:
    upload = make_upload()

    def cost() -> int:
        with CaptureQueriesContext(connection) as queries:
            assert page.get(of(upload)).status_code == 200
        return len(queries)

    few = cost()
    UploadProblem.objects.bulk_create(
        UploadProblem(
            upload=upload, file="dispenses.csv", row=row, wrong="wrong", mend="mend", is_warning=row % 4 == 0
        )
        for row in range(4, 404)
    )
    Upload.objects.update(report=upload.report | {"errors": 301, "warnings": 100})
    assert cost() == few
    rows: list[str] = []
    address = of(upload)
    for _ in range(7):
        shown = page.get(address).content.decode()
        rows += re.findall(r"dispenses.csv, row (\d+)", shown)
        further = re.search(r'rel="next" href="(\?[^"]+)"', shown)
        back = re.search(r'rel="prev" href="(\?[^"]+)"', shown)
        if further is None:
            break
        address = of(upload) + further[1].replace("&amp;", "&")
    assert rows == ["3", *(str(row) for row in range(5, 404) if row % 4)]
    assert back is not None
    shown = page.get(of(upload) + back[1].replace("&amp;", "&")).content.decode()
    assert re.findall(r"dispenses.csv, row (\d+)", shown) == rows[250:300]
    warned = page.get(of(upload) + "?show=warnings").content.decode()
    assert len(re.findall(r"dispenses.csv, row \d+", warned)) == 50
    assert "show=warnings&amp;after=" in warned


def test_rows_at_fault_come_as_a_file_and_mended_go_back(page: Client) -> None:
    upload = make_upload()
    answer = page.get(of(upload, "failed", "dispenses"))
    assert answer["Content-Disposition"] == 'attachment; filename="dispenses-to-mend.csv"'
    assert answer["Cache-Control"] == "no-store"
    assert answer.content.decode().startswith("row_in_file,")
    assert page.get(of(upload, "failed", "events")).status_code == 404
    bad = page.post(of(upload, "mend"), {"sent": [sent("dispenses.csv", "quantity\n1\n")]})
    assert bad.status_code == 422
    assert "this column is missing" in bad.content.decode()
    assert "dispenses.csv, row 3" in bad.content.decode()
    page.post(of(upload, "mend"), {"sent": [sent("dispenses.csv", answer.content.decode())]})
    assert Upload.objects.get().state == UploadState.WAITING
    assert upload.files.filter(part=FilePart.RETURNED).count() == 1


def test_a_clean_list_is_written_at_a_press_and_given_up_at_two(page: Client, cast: Cast) -> None:
    upload = make_upload()
    Upload.objects.update(report=upload.report | {"errors": 0, "failed": {}})
    shown = page.get(of(upload)).content.decode()
    assert "Import this list" in shown
    assert "It brings 1 dispensed part." in page.get(of(upload, "accept")).content.decode()
    assert Upload.objects.get().state == UploadState.CHECKED
    assert "is removed here" in page.get(of(upload, "drop")).content.decode()
    assert Upload.objects.get().state == UploadState.CHECKED
    assert page.post(of(upload, "accept"))["Location"] == of(upload)
    assert (Upload.objects.get().state, Upload.objects.get().accepted_by) == ("accepted", cast.manager.user)
    late = page.post(of(upload, "drop"))
    assert late.status_code == 422
    assert "being imported" in late.content.decode()


def test_given_up_its_page_says_so_and_holds_nothing(page: Client) -> None:
    upload = make_upload()
    page.post(of(upload, "drop"))
    shown = page.get(of(upload)).content.decode()
    assert "Nothing of this list was imported" in shown
    assert "2026-02-30" not in shown
    assert page.get(of(upload, "failed", "dispenses")).status_code == 404
    assert "dispenses.csv" not in page.get(reverse("desk:imports")).content.decode()


def test_a_list_that_stopped_is_tried_again(page: Client) -> None:
    upload = make_upload(state="failed")
    assert "broke off several times" in page.get(of(upload)).content.decode()
    page.post(of(upload, "again"))
    assert Upload.objects.get().state == UploadState.WAITING


def test_every_import_is_listed_and_undone_with_a_reason(page: Client, cast: Cast, tmp_path: Path) -> None:
    folder = write(tmp_path, patients=PATIENT)
    import_folder(folder, commit=True, now=NOW, by=cast.administrator.user)
    make_batch()
    shown = page.get(reverse("desk:imports")).content.decode()
    assert shown.count("1 patient") == 2
    assert "from a terminal" in shown
    assert "ada" in shown
    batch = ImportBatch.objects.earliest("pk")
    address = reverse("desk:import_undo", args=[batch.public_id])
    empty = page.post(address, {"reason": ""})
    assert empty.status_code == 422
    assert Patient.objects.get(reference="P1").status == "on_therapy"
    assert page.post(address, {"reason": "the wrong list"})["Location"] == reverse("desk:imports")
    batch.refresh_from_db()
    assert (batch.undone_by, batch.undo_reason) == (cast.manager.user, "the wrong list")
    shown = page.get(reverse("desk:imports")).content.decode()
    assert "the wrong list" in shown
    assert "undone already" in page.get(address).content.decode()
    assert page.post(address, {"reason": "again"}).status_code == 422
    found = page.post(reverse("desk:find"), {"q": "Brandt P1"}).content.decode()
    person = Patient.objects.get(reference="P1")
    assert str(person.public_id) not in found
    assert page.get(reverse("desk:patient", args=[person.public_id])).status_code == 404


def test_an_undo_in_whose_way_records_stand_says_whose_and_what_to_do(page: Client, tmp_path: Path) -> None:
    bring(tmp_path / "a", patients=PATIENT)
    bring(tmp_path / "b", dispenses=f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\n")
    batch = ImportBatch.objects.earliest("pk")
    address = reverse("desk:import_undo", args=[batch.public_id])
    shown = page.get(address).content.decode()
    assert "1 patient has records" in shown
    assert '<form class="confirm"' not in shown
    assert page.post(address, {"reason": "wrong"}).status_code == 422
    assert ImportBatch.objects.filter(undone_at=None).count() == 2


def test_every_column_is_explained_and_every_empty_file_imports(page: Client, tmp_path: Path) -> None:
    shown = page.get(reverse("desk:import_columns")).content.decode()
    files = {}
    for table in TABLES:
        assert list(COLUMNS[table.name]) == [*table.columns]
        for column in table.columns:
            assert f"<code>{column}</code>" in shown
        files[table.name] = page.get(reverse("desk:import_template", args=[table.file])).content
        example = ",".join(f'"{cell}"' for _, cell in COLUMNS[table.name].values())
        files[table.name] += f"{example}\n".encode()
    report = import_folder(write(tmp_path, **files), commit=False, now=NOW)
    assert report.problems == []
    assert [report.added[table.name] for table in TABLES] == [0, 1, 1, 1, 1]
    assert report.changed["patients"] == 1  # 1047 is one of the cast
    content = page.get(reverse("desk:import_template", args=["list.xlsx"])).content
    workbook = load_workbook(BytesIO(content))
    assert workbook.sheetnames == [table.name for table in TABLES]
    for table in TABLES:
        sheet = workbook[table.name]
        assert [cell.value for cell in sheet[1]] == [*table.columns]
    assert workbook["patients"].column_dimensions["A"].number_format == "@"
    assert workbook["patients"].column_dimensions["D"].number_format == "yyyy-mm-dd"
    assert page.get(reverse("desk:import_template", args=["other.csv"])).status_code == 404


def test_amounts_in_words() -> None:
    assert amounts({}) == "nothing new"
    assert amounts({"patients": 1, "lives": 1200, "dispenses": 3000, "changed": 1}) == (
        "1 patient, 1,200 lives, 3,000 dispensed parts, 1 patient changed"
    )


def test_old_lists_of_others_are_shown_too(page: Client) -> None:
    """A list is the clinic's: whoever may import sees who sent it."""
    make_upload(uploaded_by=make_user(username="somebody"))
    assert "somebody" in page.get(reverse("desk:imports")).content.decode()
