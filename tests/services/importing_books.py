"""Writing workbooks for import tests, with the library and by hand."""

from collections.abc import Mapping, Sequence
from io import BytesIO
from zipfile import ZIP_DEFLATED, ZipFile

from openpyxl import Workbook

from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report
from resupply.services.importing.workbook import read_workbook


def book(sheets: Mapping[str, Sequence[Sequence[object]]]) -> bytes:
    """A workbook of these cells."""
    workbook = Workbook()
    for sheet in workbook.worksheets:
        workbook.remove(sheet)
    for name, rows in sheets.items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    return saved(workbook)


def saved(workbook: Workbook) -> bytes:
    """The bytes of a workbook."""
    buffer = BytesIO()
    workbook.save(buffer)
    return buffer.getvalue()


def repacked(content: bytes, *, parts: Mapping[str, bytes] | None = None) -> bytes:
    """A workbook with some of its parts replaced, or added."""
    buffer, parts = BytesIO(), dict(parts or {})
    with ZipFile(BytesIO(content)) as old, ZipFile(buffer, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, parts.pop(name, None) or old.read(name))
        for name, data in parts.items():
            new.writestr(name, data)
    return buffer.getvalue()


def read(content: bytes) -> tuple[dict[str, list[RawRow]], Report]:
    """What the importer reads, and what it says."""
    report = Report()
    return read_workbook(content, "list.xlsx", report), report
