"""Cells to values. A cell that cannot be read is reported with what to write instead, and read as None."""

import re
from calendar import monthrange
from collections.abc import Iterable
from datetime import date
from difflib import get_close_matches

from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.importing.columns import Table
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report

EARLIEST, LATEST = date(1900, 1, 1), date(2200, 12, 31)
"""Days outside are slips of the keyboard."""

_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_OTHER_DATE = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,9}", re.ASCII)


class Cells:
    """One row of a file, read cell by cell; `failed` once a cell was at fault."""

    def __init__(self, table: Table, raw: RawRow, report: Report) -> None:
        self.table = table
        self.row = raw.number
        self.failed = False
        self._cells = raw.cells
        self._report = report

    def has(self, column: str) -> bool:
        """Whether the file has this column."""
        return column in self._cells

    def raw(self, column: str) -> str:
        """The text of a cell; empty where the file has no such column."""
        return self._cells.get(column, "")

    def fail(self, column: str, wrong: str, mend: str) -> None:
        """Report a fault of a cell."""
        self.failed = True
        self._report.add(self.table.file, self.row, column, self.raw(column), wrong, mend)

    def warn(self, column: str, wrong: str, mend: str) -> None:
        """Report something to look at."""
        self._report.add(self.table.file, self.row, column, self.raw(column), wrong, mend, is_warning=True)

    def text(self, column: str, *, longest: int, required: bool = False) -> str:
        """Text of at most `longest` characters."""
        value = self.raw(column)
        if len(value) > longest:
            self.fail(column, f"it has {len(value)} characters", f"write at most {longest}")
        if required and not value:
            self.fail(column, "the cell is empty", "fill it in")
        return value

    def day(self, column: str, *, required: bool = False) -> date | None:
        """A calendar date, YYYY-MM-DD."""
        value = self.raw(column)
        if not value:
            if required:
                self.fail(column, "the date is missing", "write it as YYYY-MM-DD, for example 2026-02-28")
            return None
        found = _ISO.fullmatch(value)
        if not found:
            self.fail(column, "this is no date of the form YYYY-MM-DD", f"write {_suggested_date(value)}")
            return None
        year, month, day = (int(part) for part in found.groups())
        if not EARLIEST.year <= year <= LATEST.year:
            self.fail(
                column, "the year is out of range", f"write a year from {EARLIEST.year} to {LATEST.year}"
            )
            return None
        if not 1 <= month <= 12:
            self.fail(column, f"there is no month {month:02}", "write year-month-day, month 01 to 12")
            return None
        last = monthrange(year, month)[1]
        if not 1 <= day <= last:
            wrong = f"there is no day {day:02} in {year}-{month:02}"
            self.fail(column, wrong, f"write a day from 01 to {last}")
            return None
        return date(year, month, day)

    def number(self, column: str, *, most: int) -> int | None:
        """A whole number from 1 to `most`."""
        value = self.raw(column)
        mend = f"write a whole number from 1 to {most}"
        if not _WHOLE.fullmatch(value):
            self.fail(column, "this is no whole number" if value else "the number is missing", mend)
            return None
        number = int(value)
        if 1 <= number <= most:
            return number
        wrong = (
            "it cannot be negative" if number < 0 else "it cannot be 0" if number == 0 else "it is too large"
        )
        self.fail(column, wrong, mend)
        return None

    def choice(self, column: str, words: Iterable[str], *, empty: str | None = None) -> str | None:
        """One of some words, in any case; an empty cell counts as `empty`, where that is given."""
        value, words = self.raw(column).lower(), list(words)
        if not value and empty is not None:
            return empty
        if value in words:
            return value
        wrong = "the cell is empty" if not value else "this word is not known"
        self.fail(column, wrong, f"write {one_of(words, value)}")
        return None

    def code(self, column: str, value: str | None = None) -> str | None:
        """A billing code of a part type; `value` where the cell lists several."""
        text = (self.raw(column) if value is None else value).upper()
        if text in part_types():
            return text
        wrong = f"the code {text} is not known" if text else "the code is missing"
        self.fail(column, wrong, f"write {one_of(part_types(), text)}")
        return None

    def kind(self, column: str) -> Kind | None:
        """A kind of part."""
        word = self.choice(column, (kind.value for kind in Kind))
        return Kind(word) if word else None


def one_of(words: Iterable[str], value: str) -> str:
    """The words to choose from, the nearest to `value` first."""
    words = list(words)
    near = get_close_matches(value, words, n=1, cutoff=0.7)
    listed = f"{', '.join(words[:-1])} or {words[-1]}"
    return f"{near[0]} (or another of {', '.join(words)})" if near and value else listed


def _suggested_date(value: str) -> str:
    """What to write for a date in another form: the date itself where it can be read in one way only."""
    example = "the date as YYYY-MM-DD, for example 2026-02-28"
    if not (found := _OTHER_DATE.fullmatch(value)):
        return example
    first, second, year = (int(part) for part in found.groups())
    readings = set()
    for month, day in ((first, second), (second, first)):
        if 1 <= month <= 12 and 1 <= day <= monthrange(max(year, 1), month)[1]:
            readings.add(f"{year:04}-{month:02}-{day:02}")
    return readings.pop() if len(readings) == 1 else example
