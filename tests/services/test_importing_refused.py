"""Bad files: each fault names file, row, column and value, what is wrong and the mend; nothing is written."""

from datetime import date
from pathlib import Path

import pytest

from resupply.models import DispenseLine, Event, LifeVersion, PatientStatus, PlanLine
from resupply.services.importing.columns import TABLES
from resupply.services.importing.reading import LONGEST_LINE, MOST_LINES, read_table
from resupply.services.importing.report import Report
from tests import builders
from tests.services.importing import (
    ALLOWANCES,
    DISPENSES,
    EVENTS,
    LIVES,
    PATIENT,
    PATIENTS,
    bring,
    on_record,
    said,
)

pytestmark = pytest.mark.django_db

BAD_PATIENTS = [
    (",Ana,Ek,1990-01-01,,,,,,,", "patient_ref", "", "is empty", "fill it in"),
    ("P2,,,1990-01-01,,,,,,,", "family_name", "", "no name", "at least one name"),
    ("P2,Ana,Ek,,,,,,,,", "birth_date", "", "missing", "YYYY-MM-DD"),
    ("P2,Ana,Ek,1990-02-30,,,,,,,", "birth_date", "1990-02-30", "no day 30 in 1990-02", "01 to 28"),
    ("P2,Ana,Ek,1990-13-01,,,,,,,", "birth_date", "1990-13-01", "no month 13", "01 to 12"),
    ("P2,Ana,Ek,1899-12-31,,,,,,,", "birth_date", "1899-12-31", "out of range", "1900 to 2200"),
    ("P2,Ana,Ek,2026-03-25,,,,,,,", "birth_date", "2026-03-25", "not come yet", "date of birth"),
    ("P2,Ana,Ek,24/12/1990,,,,,,,", "birth_date", "24/12/1990", "no date", "write 1990-12-24"),
    ("P2,Ana,Ek,02/03/1990,,,,,,,", "birth_date", "02/03/1990", "no date", "2026-02-28"),
    ("P2,Ana,Ek,1990-01-01,ana,,,,,,", "email", "ana", "no e-mail address", "name@example.org"),
    ("P2,Ana,Ek,1990-01-01,,,xx,,,,", "language", "xx", "not known", "en or es"),
    ("P2,Ana,Ek,1990-01-01,,,,America/Denvr,,,", "time_zone", "America/Denvr", "not known", "America/Denver"),
    ("P2,Ana,Ek,1990-01-01,,,,,,,1989-01-01", "therapy_started_on", "1989-01-01", "before the birth", "them"),
    ("P1,Ana,Ek,1990-01-01,,,,,,,", "patient_ref", "P1", "row 2 has the same", "leave one"),
]
BAD_DISPENSES = [
    ("P9,2026-01-05,A7032,1,,no,,,,", "patient_ref", "P9", "neither in patients.csv nor", "add the patient"),
    ("P1,2026-02-29,A7032,1,,no,,,,", "dispensed_on", "2026-02-29", "no day 29 in 2026-02", "01 to 28"),
    ("P1,1950-01-01,A7032,1,,no,,,,", "dispensed_on", "1950-01-01", "birth on 1961-02-04", "correct"),
    ("P1,2026-01-05,A7099,1,,no,,,,", "part_code", "A7099", "A7099 is not known", "A7039"),
    ("P1,2026-01-05,,1,,no,,,,", "part_code", "", "code is missing", "A7032"),
    ("P1,2026-01-05,A7032,-2,,no,,,,", "quantity", "-2", "negative", "from 1 to 500"),
    ("P1,2026-01-05,A7032,0,,no,,,,", "quantity", "0", "cannot be 0", "from 1 to 500"),
    ("P1,2026-01-05,A7032,501,,no,,,,", "quantity", "501", "too large", "from 1 to 500"),
    ("P1,2026-01-05,A7032,2.5,,no,,,,", "quantity", "2.5", "no whole number", "from 1 to 500"),
    ("P1,2026-01-05,A7032,,,no,,,,", "quantity", "", "missing", "from 1 to 500"),
    ("P1,2026-01-05,A7032,1,2026-01-04,no,,,,", "first_use_on", "2026-01-04", "before the dispense", "them"),
    ("P1,2026-01-05,A7032,1,,no,,,2026-01-04,", "expires_on", "2026-01-04", "had expired", "correct"),
    ("P1,2026-01-05,A7032,1,,maybe,,,,", "billed", "maybe", "not known", "yes or no"),
    ("P1,2026-01-05,A7032,1,,no,,,,A7035", "contains", "A7035", "only a mask", "leave it empty"),
    ("P1,2026-01-05,A7034,1,,no,,,,A7034", "contains", "A7034", "is a mask itself", "packed with"),
    ("P1,2026-01-05,A7034,1,,no,,,,A7032;B1", "contains", "A7032;B1", "B1 is not known", "write"),
    (f"P1,2026-01-05,A7032,1,,no,{'x' * 61},,,", "family", "x" * 61, "61 characters", "at most 60"),
    ("P1,2026-01-05,A7032,1,,no,,,,,A7035", "", "A7035", "11 cells, the header 10", "double quotes"),
]
BAD_EVENTS = [
    ("P9,swap,cushion,2026-02-01,,", "patient_ref", "P9", "neither in patients.csv nor", "correct"),
    ("P1,swop,cushion,2026-02-01,,", "event", "swop", "not known", "swap (or another of swap, lost"),
    ("P1,swap,,2026-02-01,,", "kind", "", "is empty", "cushion"),
    ("P1,lost,cushon,2026-02-01,,", "kind", "cushon", "not known", "cushion (or"),
    ("P1,swap,cushion,,,", "on", "", "missing", "YYYY-MM-DD"),
    ("P1,swap,cushion,1950-01-01,,", "on", "1950-01-01", "birth on 1961-02-04", "correct"),
    (
        "P1,pause,,2026-02-01,2026-02-01,",
        "until",
        "2026-02-01",
        "on or before its first day",
        "first day after",
    ),
    (
        "P1,pause,,2026-02-01,2026-01-31,",
        "until",
        "2026-01-31",
        "on or before its first day",
        "first day after",
    ),
    ("P1,refit,,2026-02-01,,", "family", "", "is empty", "fill it in"),
]
BAD_LIVES = [
    ("A7099,1,month,2025-01-01,,", "part_code", "A7099", "not known", "write"),
    ("A7032,0,month,2025-01-01,,", "period_count", "0", "cannot be 0", "from 1"),
    ("A7032,,month,2025-01-01,,", "period_count", "", "missing", "from 1"),
    ("A7032,1,,2025-01-01,P1,x", "period_unit", "", "is empty", "day, week or month"),
    ("A7032,1,year,2025-01-01,,", "period_unit", "year", "not known", "day, week or month"),
    ("A7032,1,month,,,", "effective_from", "", "missing", "YYYY-MM-DD"),
    ("A7032,1,month,2025-01-01,P9,x", "patient_ref", "P9", "neither in patients.csv nor", "correct"),
]
BAD_ALLOWANCES = [
    (",A7032,2,1,month,,2025-01-01", "payer", "", "is empty", "fill it in"),
    ("Payer B,A7032,0,1,month,,2025-01-01", "units", "0", "cannot be 0", "from 1"),
    ("Payer B,A7032,2,-1,month,,2025-01-01", "period_count", "-1", "negative", "from 1"),
    ("Payer B,A7032,2,1,month,0,2025-01-01", "at_once_periods", "0", "cannot be 0", "from 1"),
]
ALL = [
    (table, header, *case)
    for table, header, cases in (
        ("patients", PATIENTS, BAD_PATIENTS),
        ("dispenses", DISPENSES, BAD_DISPENSES),
        ("events", EVENTS, BAD_EVENTS),
        ("lives", LIVES, BAD_LIVES),
        ("allowances", ALLOWANCES, BAD_ALLOWANCES),
    )
    for case in cases
]


@pytest.mark.parametrize(("table", "header", "row", "column", "value", "wrong", "mend"), ALL)
def test_a_fault_names_its_place_and_its_mend_and_nothing_is_written(
    tmp_path: Path, table: str, header: str, row: str, column: str, value: str, wrong: str, mend: str
) -> None:
    """The good rows of the folder are not written either."""
    good = f"{DISPENSES}\nP1,2026-01-05,A7038,2,,no,,,,\n"
    files = {"patients": PATIENT, "dispenses": good}
    files[table] = f"{PATIENT if table == 'patients' else header + chr(10)}{row}\n"
    before = on_record()
    report = bring(tmp_path, **files)
    assert on_record() == before
    assert not report.committed
    place = 3 if table == "patients" else 2
    assert [said(problem) for problem in report.errors] == [(f"{table}.csv", place, column, value)]
    assert wrong in report.errors[0].wrong
    assert mend in report.errors[0].mend


def test_every_fault_of_a_folder_is_named_at_once_in_the_order_of_files_and_rows(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        events=f"{EVENTS}\nP1,swap,,2026-02-30,,\n",
        dispenses=f"{DISPENSES}\nP1,2026-01-05,A7038,2,,no,,,,\nP9,2026-02-30,A7099,-1,,no,,,,\n",
        patients=PATIENT,
    )
    assert [(problem.file, problem.row, problem.column) for problem in report.errors] == [
        ("dispenses.csv", 3, "patient_ref"),
        ("dispenses.csv", 3, "dispensed_on"),
        ("dispenses.csv", 3, "part_code"),
        ("dispenses.csv", 3, "quantity"),
        ("events.csv", 2, "on"),
        ("events.csv", 2, "kind"),
    ]


@pytest.mark.parametrize(
    ("content", "row", "column", "wrong"),
    [
        (PATIENT.replace("birth_date", "born"), 1, "birth_date", "column is missing"),
        (PATIENT.replace("email", "patient_ref"), 1, "patient_ref", "there twice"),
        (PATIENT.encode().replace(b"Odalys", b"Od\xe1lys"), 2, "", "not UTF-8"),
        (PATIENT.replace("Odalys", 'O"da"lys'), 2, "given_name", ""),
        (PATIENT.replace("Odalys", '"Odalys'), 2, "", "cannot be read"),
        (PATIENT.replace("Odalys", '"Oda\nlys"'), 2, "given_name", "line break"),
        (PATIENT.replace("Odalys", "Oda\x00lys"), 2, "given_name", "control character"),
        ("", 1, "patient_ref", "column is missing"),
    ],
)
def test_files_that_cannot_be_read(
    tmp_path: Path, content: str | bytes, row: int, column: str, wrong: str
) -> None:
    before = on_record()
    report = bring(tmp_path, patients=content)
    if not wrong:  # quotes within a cell that does not start with one are text
        assert report.problems == []
        return
    assert on_record() == before
    assert (report.errors[0].row, report.errors[0].column) == (row, column)
    assert wrong in report.errors[0].wrong
    assert report.errors[0].mend


def test_a_folder_without_any_of_the_files_is_an_error_and_a_strange_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "dispense.csv").write_text(DISPENSES)
    report = bring(tmp_path)
    assert "none of the files" in report.errors[0].wrong
    assert [problem.file for problem in report.warnings] == ["dispense.csv"]


def test_an_unknown_column_is_named_and_left_out(tmp_path: Path) -> None:
    report = bring(
        tmp_path, patients=PATIENT.replace("_on\n", "_on,shoe_size\n").replace("10-01\n", "10-01,43\n")
    )
    assert [(problem.row, problem.column) for problem in report.warnings] == [(1, "shoe_size")]
    assert report.committed


def test_a_birth_after_a_recorded_dispense_is_refused(tmp_path: Path) -> None:
    builders.make_dispense(builders.make_patient(reference="P1"), on=date(2024, 5, 1))
    report = bring(tmp_path, patients=f"{PATIENTS}\nP1,Ana,Ek,2024-05-02,,,,,,,\n")
    assert [said(problem) for problem in report.errors] == [("patients.csv", 2, "birth_date", "2024-05-02")]
    assert "2024-05-01" in report.errors[0].wrong


def test_a_swap_with_no_spare_is_kept_with_a_warning(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        patients=PATIENT,
        dispenses=f"{DISPENSES}\nP1,2026-01-05,A7032,2,,no,,,,\n",
        events=f"{EVENTS}\nP1,swap,cushion,2026-01-20,,\nP1,swap,cushion,2026-02-10,,\nP1,swap,tubing,2026-02-10,,\n",
    )
    assert [said(problem) for problem in report.warnings] == [
        ("events.csv", 3, "kind", "cushion"),
        ("events.csv", 4, "kind", "tubing"),
    ]
    assert "no spare" in report.warnings[0].wrong
    assert "add the dispense" in report.warnings[0].mend
    assert report.committed
    assert Event.objects.count() == 3
    assert PlanLine.objects.get().in_use_since == date(2026, 1, 20)


def test_a_swap_that_corrects_an_assumed_one_needs_no_spare(tmp_path: Path) -> None:
    """A unit that started by assumption at most 14 days before starts on the reported day instead."""
    report = bring(
        tmp_path,
        patients=PATIENT,
        dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,2,,no,,,,\n",
        events=f"{EVENTS}\nP1,swap,cushion,2026-02-03,,\n",
    )
    assert report.problems == []


def test_overlapping_pauses_are_kept_with_a_warning(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        patients=PATIENT,
        events=f"{EVENTS}\nP1,pause,,2026-01-01,2026-01-10,\nP1,pause,,2026-01-10,2026-01-20,\n"
        "P1,pause,,2026-01-19,,\n",
    )
    assert [problem.row for problem in report.warnings] == [3, 4]
    assert Event.objects.count() == 3


def test_cells_an_event_has_no_use_for_are_named_and_left_out(tmp_path: Path) -> None:
    report = bring(
        tmp_path, patients=PATIENT, events=f"{EVENTS}\nP1,refit,mask,2026-02-01,2026-02-03,Birch\n"
    )
    assert [(problem.column, problem.value) for problem in report.warnings] == [
        ("kind", "mask"),
        ("until", "2026-02-03"),
    ]
    event = Event.objects.get()
    assert (event.kind, event.until, event.family) == ("", None, "Birch")


def test_a_life_of_ones_own_without_a_reason_is_kept_and_says_so(tmp_path: Path) -> None:
    report = bring(tmp_path, patients=PATIENT, lives=f"{LIVES}\nA7032,2,week,2025-01-01,P1,\n")
    assert [said(problem) for problem in report.warnings] == [("lives.csv", 2, "reason", "")]
    assert LifeVersion.objects.get().reason == "no reason stated in the imported file"


def test_rows_of_a_patient_whose_own_row_is_at_fault_are_not_called_unknown(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        patients=PATIENT.replace("1961-02-04", "1961-02-31"),
        dispenses=f"{DISPENSES}\nP1,2026-01-05,A7038,2,,no,,,,\n",
    )
    assert [problem.file for problem in report.errors] == ["patients.csv"]
    assert not DispenseLine.objects.exists()


def test_a_reference_that_lost_its_zeros_in_a_spreadsheet_is_pointed_out(tmp_path: Path) -> None:
    builders.make_patient(reference="00047")
    rows = "47,Ana,Ek,1990-01-01\n00047,Ben,Ek,1990-01-01\n48,Cai,Ek,1990-01-01\nP47,Dee,Ek,1990-01-01\n"
    report = bring(tmp_path, patients=f"patient_ref,given_name,family_name,birth_date\n{rows}")
    assert [said(problem) for problem in report.problems] == [("patients.csv", 2, "patient_ref", "47")]
    assert report.problems[0].is_warning
    assert "00047 is on record" in report.problems[0].wrong


def test_a_patient_whose_import_was_undone_is_not_on_record(tmp_path: Path) -> None:
    builders.make_patient(reference="00047", status=PatientStatus.WITHDRAWN)
    report = bring(tmp_path, patients="patient_ref,given_name,family_name,birth_date\n47,A,Ek,1990-01-01\n")
    assert report.problems == []


def test_nobody_new_comes_to_a_closed_location_named_or_not(tmp_path: Path) -> None:
    main = builders.make_location(name="Main", closed_on=date(2026, 1, 1))
    for name in ("North", "South"):
        builders.make_location(name=name)
    builders.make_patient(reference="P1", location=main)
    ends = {"P1": "", "P2": "", "P3": "Main", "P4": "North"}
    rows = "".join(f"{reference},A,Ek,1990-01-01,{place}\n" for reference, place in ends.items())
    head = "patient_ref,given_name,family_name,birth_date,location"
    report = bring(tmp_path, patients=f"{head}\n{rows}")
    assert [said(problem) for problem in report.problems] == [
        ("patients.csv", 3, "location", ""),
        ("patients.csv", 4, "location", "Main"),
    ]
    assert {problem.wrong for problem in report.problems} == {"Main is closed"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"a\n" * 1_001, "more than 1,000 lines"),
        (b"patient_ref" + b"," * LONGEST_LINE + b"\n", "more than 100,000 characters"),
        (b'patient_ref\n"' + b"x" * 140_000 + b'"\n', "more than 100,000 characters"),
        (b'patient_ref\n"' + b"x\n" * 70_000 + b'"\n', "field larger than field limit"),
    ],
    ids=["lines", "commas", "cell", "cell of lines"],
)
def test_a_file_that_would_fill_the_memory_is_refused(
    content: bytes, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert MOST_LINES == 500_000
    if len(content) < 10_000:
        monkeypatch.setattr("resupply.services.importing.reading.MOST_LINES", 1_000)
    report = Report()
    assert read_table(content, TABLES[0], report) == []
    assert any(said in problem.wrong for problem in report.errors)
