"""Workbooks out: empty ones to be filled in, with columns that a spreadsheet leaves as they are typed."""

from collections.abc import Collection, Mapping, Sequence
from io import BytesIO

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

TEXT, DAY = "@", "yyyy-mm-dd"
"""Number formats: as typed (no zero in front is lost, no lot becomes a date), and an ISO date."""
_WIDTH = 18


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
