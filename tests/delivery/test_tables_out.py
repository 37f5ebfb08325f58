"""CSV and JSON out: guards, line ends, and the way back through the importer."""

import csv
import io
import json
from datetime import date

import pytest

from resupply.delivery.tables_out import csv_lines, guarded, json_lines
from resupply.services.importing.columns import EVENTS
from resupply.services.importing.reading import read_table
from resupply.services.importing.report import Report


def test_csv_has_lf_ends_iso_dates_and_empty_cells() -> None:
    lines = list(csv_lines(["a", "b", "c"], [["x,y", date(2026, 3, 18), None], ["ü", -2, 'say "yes"']]))
    assert lines == ["a,b,c\n", '"x,y",2026-03-18,\n', 'ü,-2,"say ""yes"""\n']


@pytest.mark.parametrize("text", ["=1+1", "+1 303", "-2", "@x", "\tx", "\rx", "'=x", "''=x"])
def test_cells_a_spreadsheet_would_run_are_guarded(text: str) -> None:
    """The first characters are those of OWASP's page on CSV injection (from memory)."""
    assert guarded(text) == f"'{text}"


@pytest.mark.parametrize("text", ["1047", "O'Hara", "'tis", "a=b", "", "ü"])
def test_other_cells_are_left_alone(text: str) -> None:
    assert guarded(text) == text


@pytest.mark.parametrize(
    "text", ["=1+1", "+1 303", "-2", "@x", "'=x", "''=x", "'tis", "1047", "O'Hara", "a,b;c"]
)
def test_what_goes_out_comes_back_through_the_importer(text: str) -> None:
    content = "".join(csv_lines(["patient_ref", "event", "on"], [[text, "swap", date(2026, 3, 18)]]))
    rows = read_table(content.encode(), EVENTS, Report())
    assert rows[0].cells["patient_ref"] == text


def test_json_is_one_array_whatever_the_number_of_rows() -> None:
    for rows in ([], [{"on": date(2026, 3, 18), "none": None}], [{"n": 1}, {"n": 2}]):
        found = json.loads("".join(json_lines(rows)))
        assert found == [
            {key: str(v) if isinstance(v, date) else v for key, v in row.items()} for row in rows
        ]


def test_rows_are_written_as_they_come() -> None:
    """A generator that is asked for one line has asked for one row only."""
    asked = []

    def rows() -> object:
        for number in range(3):
            asked.append(number)
            yield [number]

    lines = csv_lines(["n"], rows())  # type: ignore[arg-type]
    assert next(lines) == "n\n"
    assert asked == []
    assert next(lines) == "0\n"
    assert asked == [0]
    assert list(csv.reader(io.StringIO("".join(lines)))) == [["1"], ["2"]]
