"""The old list imported in a browser: rows at fault come back, corrected go in, the list is imported, and
undone.

The worker's work is done by the test between two looks at the page, as `resupply.tasks` does it.
"""

import csv
from pathlib import Path

import pytest
from openpyxl import load_workbook
from playwright.sync_api import Page, expect

from resupply import clock
from resupply.models import DispenseLine, Patient, UploadFile
from resupply.services import uploads
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import sign_in
from tests.services.importing import DISPENSES, PATIENT, write
from tests.services.importing_books import book

pytestmark = pytest.mark.browser
WIDTHS = [pytest.param(1280, id="desktop"), pytest.param(390, id="phone")]
GOOD, BAD = "P1,2026-01-05,A7032,2,,yes,,,,", "P1,02/27/2026,A7034,-1,,yes,'=Aspen,,,"


def let_a_worker_work() -> None:
    assert uploads.work(now=clock.now())


@pytest.mark.parametrize("width", WIDTHS)
def test_errors_mended_clean_written_and_undone(
    window: OpenWindow, cast: Cast, tmp_path: Path, width: int
) -> None:
    page = window(width=width)
    sign_in(page, cast.user("manager"))
    send(page, write(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\n{GOOD}\n{BAD}\n"))

    expect(page.get_by_text("This list is waiting to be checked.")).to_be_visible()
    let_a_worker_work()  # the page finds out by itself
    expect(page.get_by_role("heading", level=1)).to_have_text("Some rows are at fault")
    problems = page.get_by_role("region", name="What is wrong, row by row").locator("tbody tr")
    expect(problems).to_have_count(2)
    expect(problems.first).to_contain_text("write 2026-02-27")
    expect(page.get_by_role("button", name="Import this list")).to_have_count(0)
    mended = mend(page, tmp_path / "dispenses-to-mend.csv")
    page.get_by_label("Files").set_input_files(mended)
    page.get_by_role("button", name="Send the corrected rows").click()
    expect(page.get_by_text("This list is waiting to be checked.")).to_be_visible()
    let_a_worker_work()

    expect(page.get_by_role("heading", level=1)).to_have_text("Checked, ready to import")
    counts = page.get_by_role("region", name="Rows by table").locator("tbody tr")
    expect(counts).to_contain_text(["patients", "dispenses"])
    assert Patient.objects.filter(reference="P1").count() == 0
    page.get_by_role("button", name="Import this list").click()
    expect(page.get_by_text("This list is waiting to be imported.")).to_be_visible()
    let_a_worker_work()
    expect(page.get_by_text("Everything in this list is on record.")).to_be_visible()
    written = DispenseLine.objects.order_by("pk").values_list("part_code", "family")
    assert list(written) == [("A7032", ""), ("A7034", "=Aspen")]
    assert {bytes(file.content) for file in UploadFile.objects.all()} == {b""}

    page.get_by_role("link", name="All imports").click()
    row = page.get_by_role("region", name="Lists imported").locator("tbody tr")
    expect(row).to_contain_text(["1 patient, 2 dispensed parts"])
    row.get_by_role("link", name="Undo").click()
    page.get_by_label("Reason").fill("The list of another clinic")
    page.get_by_role("button", name="Undo this import").click()
    expect(page.get_by_role("status")).to_contain_text("Import undone: 1 patient, 2 dispensed parts.")
    expect(row).to_contain_text(["The list of another clinic"])
    find_nobody(page)
    assert not DispenseLine.objects.filter(voided_at=None).exists()


def test_a_workbook_from_the_empty_one_without_scripts(
    window: OpenWindow, cast: Cast, tmp_path: Path
) -> None:
    page = window(scripts=False)
    sign_in(page, cast.user("administrator"))
    page.get_by_role("link", name="Manage").click()
    page.get_by_role("link", name="Imports").click()
    page.get_by_role("link", name="Columns and empty files").click()
    with page.expect_download() as download:
        page.get_by_role("link", name="Empty workbook (.xlsx)").click()
    path = tmp_path / "list.xlsx"
    download.value.save_as(path)
    path.write_bytes(filled(path))
    page.get_by_role("link", name="Import a list").click()
    page.get_by_label("Files").set_input_files(path)
    page.get_by_role("button", name="Send and check").click()
    expect(page.get_by_text("This list is waiting to be checked.")).to_be_visible()
    let_a_worker_work()
    page.get_by_role("link", name="Look again").click()
    page.get_by_role("button", name="Import this list").click()
    let_a_worker_work()
    page.get_by_role("link", name="Look again").click()
    expect(page.get_by_text("Everything in this list is on record.")).to_be_visible()
    assert Patient.objects.get(reference="00047").given_name == "Alma"


def send(page: Page, folder: Path) -> None:
    """Through the navigation to the form, all files at once."""
    page.get_by_role("link", name="Manage").click()
    page.get_by_role("link", name="Imports").click()
    page.get_by_role("link", name="Import a list").click()
    page.get_by_label("Files").set_input_files(sorted(folder.glob("*.csv")))
    page.get_by_role("button", name="Send and check").click()


def mend(page: Page, path: Path) -> Path:
    """Download the rows at fault, and mend them as in a spreadsheet."""
    with page.expect_download() as download:
        page.get_by_role("link", name="Download 1 row of dispenses").click()
    download.value.save_as(path)
    with path.open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["row_in_file"], row["quantity"], row["family"]) == ("3", "'-1", "'=Aspen")
    assert "cannot be negative" in row["what_is_wrong"]
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, row, delimiter=";")
        writer.writeheader()
        writer.writerow(row | {"dispensed_on": "2026-02-27", "quantity": "1"})
    return path


def filled(path: Path) -> bytes:
    """The empty workbook with one patient in it."""
    header = [cell.value for cell in load_workbook(path)["patients"][1]]
    values = {
        "patient_ref": "00047",
        "given_name": "Alma",
        "family_name": "Quist",
        "birth_date": "1961-02-04",
    }
    return book({"patients": [header, [values.get(str(name)) for name in header]]})


def find_nobody(page: Page) -> None:
    """The patient of the undone import is in no search."""
    search = page.get_by_role("combobox", name="Find a patient")
    search.fill("P1 1961-02-04")
    search.press("Enter")
    expect(page.get_by_role("heading", level=1)).not_to_have_text("Odalys Brandt")
    assert Patient.objects.get(reference="P1").status == "withdrawn"
