"""Files to rows of text: UTF-8 with or without BOM, `,` or `;` between cells, columns in any order.

Cells are normalised here once (Unicode NFC, outer blanks off, the guard of exported cells taken off), so
that the same row saved by two programs is the same row.
"""

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from resupply.services.importing.columns import HANDED_BACK, ROW_IN_FILE, TABLES, Table
from resupply.services.importing.report import Report

MOST_LINES = 500_000
LONGEST_LINE = 100_000
"""Characters of one line; a cell may hold many lines."""

_GUARD = re.compile(r"^'(?='*[=+\-@\t\r])")  # what delivery/tables_out.py puts before such cells


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row of a file; `number` as a spreadsheet counts it. Columns the file does not have are missing."""

    number: int
    cells: Mapping[str, str]


def read_folder(folder: Path, report: Report) -> dict[str, list[RawRow]]:
    """The rows of every file that is there, by table name; faults of form go to `report`."""
    names = [table.file for table in TABLES]
    found: dict[str, list[RawRow]] = {}
    for table in TABLES:
        path = folder / table.file
        if path.is_file():
            found[table.name] = read_table(path.read_bytes(), table, report)
    if not found:
        report.add(str(folder), 0, "", "", "none of the files is there", f"name them {', '.join(names)}")
    for path in sorted(folder.glob("*.csv")):
        if path.name not in names:
            mend = f"rename it if it is one of {', '.join(names)}"
            report.add(path.name, 0, "", "", "this file is not read", mend, is_warning=True)
    return found


def read_table(content: bytes, table: Table, report: Report) -> list[RawRow]:
    """The rows of one file."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        value = content[max(0, error.start - 10) : error.end + 10].decode("ascii", "replace")
        report.add(table.file, row, "", value, "the file is not UTF-8", 'save it again as "CSV UTF-8"')
        return []
    lines = _bounded(io.StringIO(text, newline=""))
    rows = csv.reader(lines, delimiter=_delimiter(text, table), strict=True)
    read = count(1)
    try:
        return tabulate(zip(read, rows, strict=False), table, report)
    except csv.Error as error:
        row = next(read) - 1  # the number had been taken when the row could not be read
        mend = 'put quotes around a whole cell, and double every quote inside it: "a ""b"" c"'
        report.add(table.file, row, "", "", f"the row cannot be read ({error})", mend)
        return []
    except TooMuch as error:
        report.add(table.file, 0, "", "", str(error), "divide it over several files")
        return []


class TooMuch(Exception):  # noqa: N818 - reads as what is wrong
    """A file that would take more memory than any list needs."""


def _bounded(lines: Iterable[str]) -> Iterator[str]:
    """The lines of a file as long as there are not too many and none is too long: a few megabytes of line
    ends or commas would become gigabytes of rows and cells. Raises TooMuch.
    """
    for number, line in enumerate(lines, start=1):
        if number > MOST_LINES:
            raise TooMuch(f"the file has more than {MOST_LINES:,} lines")
        if len(line) > LONGEST_LINE:
            raise TooMuch(f"line {number} has more than {LONGEST_LINE:,} characters")
        yield line


def tabulate(rows: Iterable[tuple[int, list[str]]], table: Table, report: Report) -> list[RawRow]:
    """Numbered rows of cells, the header first, as rows by column name; empty ones are left out."""
    rows = iter(rows)
    header = _header(next(rows, (1, []))[1], table, report)
    found = [
        _row(number, cells, header, table, report)
        for number, cells in rows
        if any(cell.strip() for cell in cells)
    ]
    return found if all(column in header for column in table.required) else []


def renumbered(raws: Iterable[RawRow]) -> list[RawRow]:
    """Rows that came in again, under the numbers they had in the first file; 0: they name none."""
    found = []
    for raw in raws:
        number = raw.cells.get(ROW_IN_FILE, "")
        is_number = number.isascii() and number.isdecimal() and int(number[:9]) > 1 and len(number) < 9
        found.append(RawRow(int(number) if is_number else 0, raw.cells))
    return found


def _delimiter(text: str, table: Table) -> str:
    """The mark between cells: the one under which the header names more of the columns."""
    first = text.lstrip().split("\n", 1)[0]

    def matches(mark: str) -> int:
        return sum(cell.strip().strip('"').strip().lower() in table.columns for cell in first.split(mark))

    return max(",", ";", key=matches)


def _header(cells: list[str], table: Table, report: Report) -> list[str]:
    """Column names as they stand in the file, checked: none missing, none twice, strange ones named."""
    header = [_clean(cell).lower() for cell in cells]
    wanted = f"columns: {', '.join(table.columns)}"
    for column in table.required:
        if column not in header:
            report.add(table.file, 1, column, "", "this column is missing", f"add it ({wanted})")
    for column in dict.fromkeys(header):
        if header.count(column) > 1 and column:
            report.add(table.file, 1, column, column, "this column is there twice", "leave one of them")
        if column and column not in (*table.columns, *HANDED_BACK):
            report.add(
                table.file,
                1,
                column,
                column,
                "this column is not known and not read",
                wanted,
                is_warning=True,
            )
    return header


def _row(number: int, cells: list[str], header: list[str], table: Table, report: Report) -> RawRow:
    """One row by column name; cells missing at its end are empty."""
    clean = [_clean(cell) for cell in cells]
    if any(clean[len(header) :]):
        wrong = f"the row has {len(cells)} cells, the header {len(header)}"
        report.add(table.file, number, "", clean[-1], wrong, "put a cell that holds , or ; in double quotes")
    clean += [""] * (len(header) - len(clean))
    row = RawRow(number, dict(zip(header, clean, strict=False)))
    for column, value in row.cells.items():
        if any(unicodedata.category(mark) == "Cc" for mark in value):
            shown = "".join(mark if mark.isprintable() else "\N{REPLACEMENT CHARACTER}" for mark in value)
            wrong = "the cell holds a line break or control character"
            report.add(table.file, number, column, shown, wrong, "write it on one line")
    return row


def _clean(cell: str) -> str:
    """A cell without outer blanks and without our own guard, in one Unicode form."""
    return unicodedata.normalize("NFC", _GUARD.sub("", cell.strip(), count=1)).strip()
