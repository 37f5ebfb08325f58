"""Workbooks: read as the same CSV would be; what a spreadsheet made of a cell is told back or refused.

Outside reference for what is written: openpyxl, a library of its own; Excel's 15 digits are those of IEEE 754
doubles (from memory). Sizes that are refused are ours.
"""

import csv
import io
import struct
from datetime import date, datetime, time
from io import BytesIO
from zipfile import ZIP_BZIP2, ZIP_DEFLATED, ZIP_LZMA, ZipFile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from resupply.services.importing import archive, workbook
from resupply.services.importing.columns import DISPENSES as DISPENSES_TABLE
from resupply.services.importing.reading import read_table
from resupply.services.importing.report import Report
from tests.services.importing import DISPENSES
from tests.services.importing_books import book, read, repacked, saved

HEADER = DISPENSES.split(",")
ROW = ["P1", "2026-01-05", "A7034", "1", "", "yes", "Aspen", "L1", "2028-01-01", "A7032;A7035"]

texts = st.text(
    st.characters(blacklist_categories=["Cs", "Cc"], blacklist_characters="\ufffe\uffff"), max_size=12
).filter(lambda text: not text.startswith("="))  # the library would write a formula


@given(rows=st.lists(st.lists(texts, min_size=10, max_size=10), max_size=5))
@settings(max_examples=60, deadline=None)
def test_a_sheet_of_text_is_read_as_the_same_csv(rows: list[list[str]]) -> None:
    buffer = io.StringIO()
    csv.writer(buffer).writerows([HEADER, *rows])
    said = Report()
    expected = read_table(buffer.getvalue().encode(), DISPENSES_TABLE, said)
    found, report = read(book({"dispenses": [HEADER, *rows]}))
    assert found["dispenses"] == expected
    assert report.problems == said.problems


@pytest.mark.parametrize(
    ("column", "cell", "text"),
    [
        ("dispensed_on", date(2026, 1, 5), "2026-01-05"),
        ("dispensed_on", datetime.combine(date(2026, 1, 5), time(0)), "2026-01-05"),
        ("dispensed_on", "2026-01-05", "2026-01-05"),
        ("quantity", 1, "1"),
        ("quantity", 1.0, "1"),
        ("quantity", 1.5, "1.5"),
        ("patient_ref", 1047, "1047"),
        ("patient_ref", 999_999_999_999_999, "999999999999999"),
        ("billed", True, "yes"),
        ("billed", False, "no"),
        ("lot", None, ""),
        ("lot", "  L1 ", "L1"),
    ],
)  # fmt: skip
def test_what_is_told_back(column: str, cell: object, text: str) -> None:
    row: list[object] = [*ROW]
    row[HEADER.index(column)] = cell
    found, report = read(book({"dispenses": [HEADER, row]}))
    assert report.problems == []
    assert found["dispenses"][0].cells[column] == text


@pytest.mark.parametrize(
    ("column", "cell", "wrong"),
    [
        ("lot", "=A1", "holds a formula"),
        ("quantity", "=1+1", "holds a formula"),
        ("lot", date(2026, 3, 1), "took this for a date"),
        ("lot", time(10, 30), "a time of day"),
        ("dispensed_on", datetime.combine(date(2026, 1, 5), time(10, 30)), "has a time of day"),
        ("patient_ref", 1_234_567_890_123_456, "keeps 15 digits"),
        ("patient_ref", 1e20, "keeps 15 digits"),
        ("lot", "#N/A", "shows an error"),
        ("family", True, "true or false"),
    ],
)
def test_what_cannot_be_told_back_is_reported(column: str, cell: object, wrong: str) -> None:
    row: list[object] = [*ROW]
    row[HEADER.index(column)] = cell
    _, report = read(book({"dispenses": [HEADER, row]}))
    assert [(problem.file, problem.row, problem.column) for problem in report.errors] == [
        ("dispenses.csv", 2, column)
    ]
    assert wrong in report.errors[0].wrong
    assert report.errors[0].mend


def test_zeros_in_front_that_a_format_shows_are_kept() -> None:
    book_ = Workbook()
    sheet = book_.worksheets[0]
    sheet.title = "dispenses"
    sheet.append(HEADER)
    sheet.append([47, *ROW[1:]])
    sheet["A2"].number_format = "00000"
    found, report = read(saved(book_))
    assert report.problems == []
    assert found["dispenses"][0].cells["patient_ref"] == "00047"


def test_cells_of_columns_that_are_not_read_may_hold_anything() -> None:
    found, report = read(book({"dispenses": [[*HEADER, "note"], [*ROW, "=1+1"]]}))
    assert report.errors == []
    assert len(found["dispenses"]) == 1


def test_sheets_are_found_by_their_names_and_others_are_named() -> None:
    found, report = read(book({"Dispenses ": [HEADER, ROW], "Sheet2": [["x"]]}))
    assert list(found) == ["dispenses"]
    assert [(problem.file, problem.is_warning) for problem in report.problems] == [("Sheet2", True)]
    found, report = read(book({"Sheet1": [HEADER, ROW]}))
    assert found == {}
    assert "none of its sheets" in report.errors[0].wrong


def test_empty_rows_and_columns_beside_the_list_do_no_harm() -> None:
    found, report = read(book({"dispenses": [HEADER, [], ROW, [None] * 10, ["P2", *ROW[1:]]]}))
    assert report.problems == []
    assert [(raw.number, raw.cells["patient_ref"]) for raw in found["dispenses"]] == [(3, "P1"), (5, "P2")]


# --- files that are not opened ---


def refusal(content: bytes) -> str:
    found, report = read(content)
    assert found == {}
    assert len(report.errors) == 1
    return report.errors[0].wrong


@pytest.mark.parametrize(
    "content",
    [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0" * 200, b"patient_ref,x\n" * 9],
    ids=["empty", "cut off", "an old or locked workbook", "CSV"],
)
def test_what_is_no_workbook(content: bytes) -> None:
    assert "no workbook that can be read" in refusal(content)


def test_a_damaged_workbook() -> None:
    whole = book({"dispenses": [HEADER, ROW]})
    assert "can be read" in refusal(whole[: len(whole) // 2] + whole[-200:])
    space = b"xmlns='http://schemas.openxmlformats.org/spreadsheetml/2006/main'"
    cells = b"<sheetData><row r='1'><c r='A1' t='s'><v>99999</v></c></row></sheetData>"
    sheet = b"<worksheet %s>%s</worksheet>" % (space, cells)
    assert "cannot be read" in refusal(repacked(whole, parts={"xl/worksheets/sheet1.xml": sheet}))


def bomb(name: str, size: int) -> bytes:
    """A workbook with one more part: so many zeros, packed a thousand times smaller."""
    content = repacked(book({"dispenses": [HEADER, ROW]}), parts={name: b"\0" * size})
    assert len(content) < size / 100
    return content


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("xl/media/image1.png", archive.MOST_UNPACKED),
        ("xl/extra.xml", archive.MOST_READ_WHOLE + 1),
        ("xl/worksheets/sheet9.xml", archive.LONGEST_ROW + 1),
    ],
)
def test_what_unpacks_to_more_than_is_read(name: str, size: int) -> None:
    assert "holds more than is read" in refusal(bomb(name, size))


@pytest.mark.parametrize("packed", [ZIP_BZIP2, ZIP_LZMA], ids=["bzip2", "lzma"])
def test_a_part_that_is_packed_as_no_workbook_is(packed: int) -> None:
    """Python unpacks a piece of these whole, however little is asked for: nothing of it is read."""
    buffer = BytesIO(book({"dispenses": [HEADER, ROW]}))
    with ZipFile(buffer, "a") as more:
        more.writestr("xl/media/image1.png", b"\0" * 1000, packed)
    assert "no workbook that can be read" in refusal(buffer.getvalue())


def test_a_size_that_is_not_true() -> None:
    """The directory of the archive says 10 bytes; the part holds 80 million."""
    content = bytearray(bomb("xl/media/image1.png", 80_000_000))
    real = struct.pack("<I", 80_000_000)
    while (place := content.find(real)) >= 0:
        content[place : place + 4] = struct.pack("<I", 10)
    assert "no workbook that can be read" in refusal(bytes(content))


def test_a_part_that_is_there_a_thousand_times() -> None:
    buffer = BytesIO()
    with ZipFile(buffer, "w", ZIP_DEFLATED) as new:
        new.writestr("[Content_Types].xml", "x")
        for number in range(archive.MOST_PARTS):
            new.writestr(f"part{number}", "")
    assert "holds more than is read" in refusal(buffer.getvalue())


def test_xml_that_expands_is_not_expanded() -> None:
    lol = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    text = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY l0 "lol">{lol}]><worksheet><x>&l9;</x></worksheet>'
    content = repacked(book({"dispenses": [HEADER, ROW]}), parts={"xl/worksheets/sheet1.xml": text.encode()})
    assert "no workbook that can be read" in refusal(content)


def test_more_rows_than_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 3)
    found, _ = read(book({"dispenses": [HEADER, *[ROW] * 3]}))
    assert len(found["dispenses"]) == 3
    assert "more than 3 rows" in refusal(book({"dispenses": [HEADER, *[ROW] * 4]}))
