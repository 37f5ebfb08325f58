"""An .xlsx workbook to rows of text: each sheet named as a file (`patients` ...) is that table.

A cell becomes the text a CSV file would hold, dates as YYYY-MM-DD. What a spreadsheet has made of a cell and
cannot be told back is reported, never guessed: formulas are not worked out, error values, a lot taken for a
date, a long number whose last digits are gone.
"""

import warnings
from collections.abc import Iterator
from datetime import date, datetime, time
from io import BytesIO
from itertools import chain
from math import isfinite
from typing import Protocol, cast

from openpyxl import load_workbook
from openpyxl.workbook import Workbook
from openpyxl.xml import DEFUSEDXML

from resupply.services.importing.archive import Unreadable, check_archive
from resupply.services.importing.columns import DAYS, TABLES, Table
from resupply.services.importing.reading import RawRow, tabulate
from resupply.services.importing.report import Report

MOST_ROWS = 100_000
"""Rows of one sheet."""
MOST_COLUMNS = 60

_LOST_DIGITS = 10**15  # a spreadsheet keeps 15 digits (IEEE 754 doubles)


class _Cell(Protocol):
    """What is read of a cell; `data_type` is "f" for a formula and "e" for an error value."""

    @property
    def value(self) -> object: ...
    @property
    def data_type(self) -> str: ...


class _Sheet(Protocol):
    """What is read of a sheet opened for reading only."""

    def reset_dimensions(self) -> None: ...
    def iter_rows(self, *, max_row: int, max_col: int) -> Iterator[tuple[_Cell, ...]]: ...


def read_workbook(content: bytes, file_name: str, report: Report) -> dict[str, list[RawRow]]:
    """The rows of every sheet that is a table, by table name; faults of form go to `report`."""
    if not DEFUSEDXML:  # a wheel of the lock file; without it XML could expand without bound
        raise RuntimeError("defusedxml is not installed")
    try:
        check_archive(content)
        return _tables(content, report)
    except Unreadable as error:
        report.add(file_name, 0, "", "", error.wrong, error.mend)
        return {}


def _tables(content: bytes, report: Report) -> dict[str, list[RawRow]]:
    names = {table.name: table for table in TABLES}
    found: dict[str, list[RawRow]] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about styles and extensions, which nobody reads here
        workbook = _opened(content)
        try:
            for sheet in workbook.worksheets:
                table = names.get(sheet.title.strip().lower())
                if table is None:
                    wrong, mend = "this sheet is not read", f"rename it if it is one of {', '.join(names)}"
                    report.add(sheet.title[:80], 0, "", "", wrong, mend, is_warning=True)
                elif table.name in found:
                    report.add(table.file, 0, "", "", "two sheets have this name", "leave one of them")
                else:
                    found[table.name] = _rows(cast(_Sheet, sheet), table, report)
        finally:
            workbook.close()
    if not found:
        raise Unreadable("none of its sheets is a table", f"name them {', '.join(names)}")
    return found


def _opened(content: bytes) -> Workbook:
    try:
        return load_workbook(BytesIO(content), read_only=True, data_only=False, keep_links=False)
    except Exception as error:  # whatever a damaged file makes the library raise
        raise Unreadable("this is no workbook that can be read", "save it again as .xlsx") from error


def _rows(sheet: _Sheet, table: Table, report: Report) -> list[RawRow]:
    sheet.reset_dimensions()  # they are what the file says of itself
    try:
        return tabulate(_texts(sheet, table, report), table, report)
    except (Unreadable, MemoryError):
        raise
    except Exception as error:  # as above: sheets are read only now
        wrong = "the sheet cannot be read to its end"
        raise Unreadable(f"{table.name}: {wrong}", "save the workbook again as .xlsx") from error


def _texts(sheet: _Sheet, table: Table, report: Report) -> Iterator[tuple[int, list[str]]]:
    """Numbered rows of cells as text. The first row of the sheet is the header."""
    rows = sheet.iter_rows(max_row=MOST_ROWS + 2, max_col=MOST_COLUMNS)
    first = next(rows, ())
    header = [str(cell.value or "").strip().lower() for cell in first]
    for number, cells in enumerate(chain([first], rows), start=1):
        if number > MOST_ROWS + 1:
            wrong = f"{table.name}: the sheet has more than {MOST_ROWS:,} rows"
            raise Unreadable(wrong, "divide it over several files")
        columns = [*header, *[""] * (len(cells) - len(header))]
        yield (
            number,
            _trimmed(
                [
                    _text(cell, _Place(table, number, column, report))
                    for cell, column in zip(cells, columns, strict=False)
                ]
            ),
        )


def _trimmed(cells: list[str]) -> list[str]:
    """Without the empty cells at the end, as a CSV file has them."""
    while cells and not cells[-1].strip():
        cells.pop()
    return cells


class _Place:
    """Where a cell stands, to report what is wrong with it."""

    __slots__ = ("column", "report", "row", "table")

    def __init__(self, table: Table, row: int, column: str, report: Report) -> None:
        self.table, self.row, self.column, self.report = table, row, column, report

    @property
    def is_read(self) -> bool:
        """Whether the importer reads this column."""
        return self.row == 1 or self.column in self.table.columns

    def fail(self, value: str, wrong: str, mend: str) -> str:
        """Report the cell; the value goes on as it is, so that the row at fault can be handed back."""
        if self.is_read:
            self.report.add(self.table.file, self.row, self.column, value, wrong, mend)
        return value


def _text(cell: _Cell, place: _Place) -> str:
    """A cell as the text a CSV file would hold."""
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f":
        text = value if isinstance(value, str) else str(getattr(value, "text", None) or "=")
        mend = "copy the column and paste it back as values"
        return place.fail(text, "the cell holds a formula, and formulas are not worked out", mend)
    if cell.data_type == "e":
        return place.fail(str(value), "the spreadsheet shows an error here", "write the value itself")
    if isinstance(value, bool):
        return _yes_or_no(value, place)
    if isinstance(value, int | float):
        return _number(value, str(getattr(cell, "number_format", "")), place)
    if isinstance(value, datetime | date | time) or not isinstance(value, str):
        return _day(value, place)
    return value


def _yes_or_no(value: bool, place: _Place) -> str:
    if place.column == "billed":
        return "yes" if value else "no"
    return place.fail(str(value).upper(), "the spreadsheet took this for true or false", "write it as text")


def _number(value: int | float, shown_as: str, place: _Place) -> str:
    """A number without the `.0` a spreadsheet keeps; with the zeros in front that its format shows."""
    if isinstance(value, float):
        if not isfinite(value):
            return place.fail(str(value), "this is no number", "write the value itself")
        if not value.is_integer():
            return repr(value)
        value = int(value)
    if abs(value) >= _LOST_DIGITS:
        wrong = "a spreadsheet keeps 15 digits of a number, so the last ones may be lost"
        return place.fail(str(value), wrong, "format the column as text and write it again")
    is_padded = len(shown_as) > 1 and set(shown_as) == {"0"}
    return str(value).zfill(len(shown_as)) if is_padded and value >= 0 else str(value)


def _day(value: object, place: _Place) -> str:
    """A date as YYYY-MM-DD. One with a time of day, or in a column of text, is not what was written."""
    day = value.date() if isinstance(value, datetime) and value.time() == time(0) else value
    text = day.isoformat() if isinstance(day, date | time) else str(day)
    if isinstance(day, date) and not isinstance(day, datetime):
        if place.column in DAYS or not place.is_read:
            return text
        wrong = "the spreadsheet took this for a date"
    else:
        wrong = "this is a time of day" if place.column not in DAYS else "the date has a time of day"
    mend = "leave the time out" if place.column in DAYS else "format the column as text and write it again"
    return place.fail(text, wrong, mend)
