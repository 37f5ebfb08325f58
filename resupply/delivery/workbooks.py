"""Workbooks out: empty ones to be filled in, with columns that a spreadsheet leaves as they are typed, and
lists.

Text is written as text, whatever it begins with: no cell of a list is a formula.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time
from io import BytesIO
from typing import IO

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from resupply.delivery.tables_out import Cell

TEXT, DAY = "@", "yyyy-mm-dd"
"""Number formats: as typed (no zero in front is lost, no lot becomes a date), and an ISO date."""
_WIDTH = 18
MOST_ROWS = 1_000_000
"""Rows of one sheet; programs read 1,048,576 at most."""


def empty_workbook(sheets: Mapping[str, Sequence[str]], *, days: Collection[str]) -> bytes:
    """An .xlsx with a sheet for each name, its header in the first row; columns of `days` hold dates, all
    others text.
    """
    workbook = Workbook()
    for old in workbook.worksheets:
        workbook.remove(old)
    for name, columns in sheets.items():
        sheet = workbook.create_sheet(name)
        sheet.append(list(columns))
        sheet.freeze_panes = "A2"
        for place, column in enumerate(columns, start=1):
            sheet.cell(1, place).font = Font(bold=True)
            letter = sheet.column_dimensions[get_column_letter(place)]
            letter.width = _WIDTH
            letter.number_format = DAY if column in days else TEXT
    buffer = BytesIO()
    workbook.save(buffer)
    return buffer.getvalue()


def write_workbook(to: IO[bytes], title: str, header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    """An .xlsx with the rows of a list, written as they come; memory stays flat. What a sheet does not hold
    goes on in another.
    """
    workbook = Workbook(write_only=True)
    sheet = None
    for number, row in enumerate(rows):
        if number % MOST_ROWS == 0:
            name = title if number == 0 else f"{title} {number // MOST_ROWS + 1}"
            sheet = _new_sheet(workbook, name, header)
        if sheet is not None:
            sheet.append([_cell(sheet, cell) for cell in row])
    if sheet is None:
        _new_sheet(workbook, title, header)
    workbook.save(to)


def _new_sheet(workbook: Workbook, title: str, header: Sequence[str]) -> WriteOnlyWorksheet:
    sheet: WriteOnlyWorksheet = workbook.create_sheet(title)
    sheet.freeze_panes = "A2"
    for place in range(1, len(header) + 1):
        sheet.column_dimensions[get_column_letter(place)].width = _WIDTH  # type: ignore[attr-defined]
    bold = [WriteOnlyCell(sheet, name) for name in header]
    for cell in bold:
        cell.font = Font(bold=True)
    sheet.append(bold)
    return sheet


def _cell(sheet: WriteOnlyWorksheet, value: Cell) -> object:
    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("", value))
        cell.data_type = "s"  # also where it begins with "=", which would be a formula
        return cell
    if isinstance(value, date):
        cell = WriteOnlyCell(sheet, datetime.combine(value, time()))
        cell.number_format = DAY
        return cell
    return value
