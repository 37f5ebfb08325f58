"""The nightly folder: whole or not there, as of one moment, and read back it says the same."""

import csv
import subprocess
import tempfile
from datetime import UTC, date, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from resupply.delivery.open_folder import write_folder
from resupply.models import PlanLine
from resupply.queries.open_tables import TABLES
from resupply.services import open_folders
from resupply.services.importing import import_folder
from resupply.services.importing.columns import TABLES as READ
from tests.builders import NOW, TODAY, make_dispense, make_location, make_patient
from tests.management.folders import BORN, FIRST, folders, texts
from tests.services.importing import bring

NIGHT = datetime(2026, 3, 18, 3, 30, tzinfo=UTC)
"""Half past three in a clinic that goes by UTC."""


def planned(day: str) -> str:
    out = StringIO()
    call_command("export_plan", "--as-of", day, stdout=out)
    return out.getvalue()


def write_all(place: Path, name: str) -> Path:
    return write_folder(
        place, name, {table: (head, rows(today=TODAY)) for table, (head, rows) in TABLES.items()}
    )


def test_the_columns_are_those_that_an_import_reads() -> None:
    assert {table.name: set(table.columns) for table in READ} == {
        name: set(header) for name, (header, _) in TABLES.items()
    }


TAKEN_BACK: dict[str, list[str]] = {
    "patients": [f"P1,Ana,Ek,{BORN},,,,,,,"],
    "lives": ["A7032,6,month,2025-06-01,P1,seen to last", "A7032,,,2025-07-15,P1,torn since"],
    "allowances": [],
    "dispenses": ["P1,2025-06-01,A7032,1,,no,,,,"],
    "events": [],
}
"""An own life of half a year that was taken back in July."""


@pytest.mark.django_db
def test_an_own_life_that_was_taken_back_ends_what_it_ended(tmp_path: Path) -> None:
    bring(tmp_path, **texts(TAKEN_BACK))
    assert PlanLine.objects.get().worn_on == date(2025, 7, 15), "worn a month after its start, on that day"


@example(folder=TAKEN_BACK, days=100)
@given(folder=folders(), days=st.integers(0, 400))
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@pytest.mark.django_db
def test_law_a_folder_read_into_an_empty_clinic_gives_the_same_plan(
    folder: dict[str, list[str]], days: int
) -> None:
    day = (FIRST + timedelta(days=days)).isoformat()
    with tempfile.TemporaryDirectory() as place:
        with transaction.atomic():
            bring(Path(place) / "in", **texts(folder))
            before = planned(day)
            first = write_all(Path(place), "first")
            transaction.set_rollback(True)
        with transaction.atomic():
            report = import_folder(first, commit=True, now=NOW)
            assert report.errors == []
            assert planned(day) == before
            second = write_all(Path(place), "second")
            transaction.set_rollback(True)
        assert {file.name: file.read_bytes() for file in first.iterdir()} == {
            file.name: file.read_bytes() for file in second.iterdir()
        }


@pytest.mark.django_db(transaction=True)
def test_it_is_written_once_a_night_and_its_checksums_hold(tmp_path: Path) -> None:
    person = make_patient(location=make_location(name="North room", time_zone="UTC"), given_name="=SUM(A1)")
    make_dispense(person, lines=[{"lot": "L-1"}])
    assert open_folders.write_tonight(tmp_path, now=NIGHT.replace(hour=1)) is None
    folder = open_folders.write_tonight(tmp_path, now=NIGHT)
    assert folder == tmp_path / "2026-03-18"
    assert open_folders.write_tonight(tmp_path, now=NIGHT + timedelta(hours=5)) is None
    assert [file.name for file in tmp_path.iterdir()] == ["2026-03-18"]
    assert {file.stat().st_mode & 0o777 for file in folder.iterdir()} == {0o600}
    # `sha256sum` of the GNU core utilities is the reference.
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"], cwd=folder, check=True)
    row = next(csv.DictReader((folder / "patients.csv").open()))
    assert row["given_name"] == "'=SUM(A1)"


@pytest.mark.django_db(transaction=True)
def test_two_workers_write_one_folder(tmp_path: Path) -> None:
    make_location(time_zone="UTC")
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [open_folders._LOCK])
        from concurrent.futures import ThreadPoolExecutor

        def other() -> Path | None:
            try:
                return open_folders.write_tonight(tmp_path, now=NIGHT)
            finally:
                connection.close()

        with ThreadPoolExecutor(1) as pool:
            assert pool.submit(other).result(timeout=30) is None
    assert open_folders.write_tonight(tmp_path, now=NIGHT) is not None


def test_a_folder_that_fails_leaves_nothing(tmp_path: Path) -> None:
    def rows() -> "object":
        yield ("1047",)
        raise OSError("no space left on device")

    with pytest.raises(OSError, match="no space"):
        write_folder(tmp_path, "2026-03-18", {"patients": (["patient_ref"], rows())})  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.django_db(transaction=True)
def test_old_folders_go_and_what_is_not_ours_stays(tmp_path: Path) -> None:
    make_location(time_zone="UTC")
    for day in range(1, 18):
        (tmp_path / f"2026-03-{day:02}").mkdir()
    (tmp_path / "kept by hand").mkdir()
    open_folders.write_tonight(tmp_path, now=NIGHT)
    names = sorted(folder.name for folder in tmp_path.iterdir())
    assert names == [*(f"2026-03-{day:02}" for day in range(5, 19)), "kept by hand"]
