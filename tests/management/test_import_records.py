"""`import_records` from the command line: dry run, commit, faults and exit code."""

from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from resupply.models import Consent, DispenseLine, Patient
from tests.services.importing import DISPENSES, PATIENT, on_record, write

pytestmark = pytest.mark.django_db


def run(folder: Path, *options: str) -> str:
    """What the command prints."""
    out = StringIO()
    call_command("import_records", str(folder), *options, stdout=out)
    return out.getvalue()


def test_without_commit_it_only_says_what_it_would_do(tmp_path: Path) -> None:
    before = on_record()
    text = run(write(tmp_path, patients=PATIENT))
    assert "Dry run, nothing written" in text
    assert "patients: 1 new" in text
    assert on_record() == before


def test_with_commit_it_writes_and_counts(tmp_path: Path) -> None:
    folder = write(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\n")
    text = run(folder, "--commit")
    assert "Written:" in text
    assert "dispenses: 1 new, 0 on record already" in text
    assert "1 imported e-mail address taken as the patient's yes to mail" in text
    assert Patient.objects.count() == Consent.objects.count() == 1
    assert "dispenses: 0 new, 1 on record already" in run(folder, "--commit")


def test_consent_to_mail_can_be_left_out(tmp_path: Path) -> None:
    text = run(write(tmp_path, patients=PATIENT), "--commit", "--no-mail-consent")
    assert "yes to mail" not in text
    assert not Consent.objects.exists()


def test_a_fault_is_a_row_of_a_table_and_an_exit_code(tmp_path: Path) -> None:
    """CommandError is exit code 1 at a terminal."""
    folder = write(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-01-05,A7032,-2,,yes,,,,\n")
    out, before = StringIO(), on_record()
    with pytest.raises(CommandError, match="1 error: nothing was written") as caught:
        call_command("import_records", str(folder), "--commit", stdout=out)
    assert caught.value.returncode == 1
    header, row = out.getvalue().splitlines()[:2]
    assert header.split() == ["File", "Row", "Column", "Value", "What", "is", "wrong", "What", "to", "do"]
    assert row.split()[:5] == ["ERROR", "dispenses.csv", "2", "quantity", "'-2'"]
    assert "it cannot be negative" in row
    assert "write a whole number from 1 to 500" in row
    assert on_record() == before


def test_many_faults_are_counted_not_all_printed(tmp_path: Path) -> None:
    rows = "P1,2026-01-05,A7032,0,,yes,,,,\n" * 250
    out = StringIO()
    with pytest.raises(CommandError, match="250 errors"):
        call_command(
            "import_records",
            str(write(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\n{rows}")),
            stdout=out,
        )
    assert out.getvalue().count("ERROR") == 200
    assert "... and 50 more errors" in out.getvalue()


def test_rows_at_fault_are_handed_back_and_mended_come_in(tmp_path: Path) -> None:
    good, bad = "P1,2026-01-05,A7032,1,,yes,,,,", "P1,2026-02-30,A7032,-1,,yes,'=Aspen,,,"
    folder = write(tmp_path / "in", patients=PATIENT, dispenses=f"{DISPENSES}\n{good}\n{bad}\n")
    back = tmp_path / "back"
    with pytest.raises(CommandError, match="2 errors"):
        run(folder, "--commit", "--failed-rows", str(back))
    assert [path.name for path in back.iterdir()] == ["dispenses.csv"]
    text = (back / "dispenses.csv").read_text()
    assert text.splitlines()[0] == f"{DISPENSES},what_is_wrong,what_to_do"
    assert "no day 30 in 2026-02" in text
    assert text.count("\n") == 2
    mended = text.replace("2026-02-30", "2026-02-28").replace(",-1,", ",1,").replace(",'-1,", ",1,")
    write(back, patients=PATIENT, dispenses=mended)
    assert "dispenses: 1 new" in run(back, "--commit")
    assert DispenseLine.objects.get().family == "=Aspen"


def test_what_is_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="is no folder"):
        run(tmp_path / "nowhere")
