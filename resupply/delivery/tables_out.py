"""Tables out: CSV that a spreadsheet cannot take for formulas, and JSON, both a row at a time.

CSV is UTF-8 without BOM, `,` between cells, LF at line ends. A cell that a spreadsheet would run as a
formula (it starts with = + - @, tab or carriage return) gets a leading `'`; the importer takes it off
again. A cell that starts with such a guard already gets another, so that no value is lost on the way out
and back.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import chain

Cell = str | int | date | None
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def guarded(text: str) -> str:
    """A text cell as it is written to CSV.

    >>> guarded("=1+1"), guarded("1047"), guarded("'=x")
    ("'=1+1", '1047', "''=x")
    """
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """A text cell as it was before `guarded`.

    >>> unguarded("'=1+1"), unguarded("1047"), unguarded("''=x")
    ('=1+1', '1047', "'=x")
    """
    return text[1:] if text.startswith("'") and _FORMULA.match(text[1:]) else text


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    """The lines of a CSV file, header first; dates as YYYY-MM-DD, None as an empty cell; text is guarded."""
    buffer = io.StringIO()
    # The writer quotes a cell that holds a character of the line end. A carriage return has to be among them:
    # bare, it would begin a row, whose first cell may be a formula again.
    writer = csv.writer(buffer, lineterminator="\r\n")
    for row in chain([header], rows):
        writer.writerow([guarded(cell) if isinstance(cell, str) else cell for cell in row])
        yield f"{buffer.getvalue()[:-2]}\n"
        buffer.seek(0)
        buffer.truncate()


def json_lines(rows: Iterable[Mapping[str, object]]) -> Iterator[str]:
    """The lines of a JSON array of objects, one object a line; dates as YYYY-MM-DD, None as null."""
    before = "[\n"
    for row in rows:
        yield before + json.dumps(row, ensure_ascii=False, default=_text)
        before = ",\n"
    yield "[]\n" if before == "[\n" else "\n]\n"


def _text(value: object) -> str:
    """How JSON shows what it has no form for."""
    return value.isoformat() if isinstance(value, date) else str(value)
