"""`export_plan`: the stable interface for other systems. Columns, order, any day, both formats."""

import csv
import json
from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from resupply.models import Event, Patient, PatientStatus
from resupply.queries import plan_table
from tests.builders import NOW
from tests.services.importing import ALLOWANCES, DISPENSES, EVENTS, LIVES, PATIENT, PATIENTS, bring

pytestmark = pytest.mark.django_db

COLUMNS = (
    "patient_ref,kind,part_code,in_use_since,worn_on,spares,supply_ends_on,covered_from,refill_on,ask_from,"
    "deliver_from,quantity_limit,quantity_suggested,state,days_overdue"
)


def export(as_of: str, *options: str) -> str:
    """What the command prints."""
    out = StringIO()
    call_command("export_plan", "--as-of", as_of, *options, stdout=out)
    return out.getvalue()


def rows(as_of: str, *options: str) -> list[dict[str, str]]:
    """The CSV rows by column."""
    return list(csv.DictReader(StringIO(export(as_of, *options))))


def test_the_header_is_the_interface() -> None:
    assert export("2026-03-18") == f"{COLUMNS}\n"
    assert export("2026-03-18", "--format", "json") == "[]\n"


def test_one_row_in_full_by_hand(tmp_path: Path) -> None:
    """Six A7032 on 2026-01-01, 2 per month, all billed: the worked example of coverage.

    Covered from 2026-04-01; six lives of one month end 2026-07-01, so that is the refill day; asked 30,
    delivered 10 days before (42 CFR 410.38(d)(4) as the product ships it); 3 lives reach 3 months.
    """
    bring(
        tmp_path,
        patients=PATIENT,
        allowances=f"{ALLOWANCES}\nPayer B,A7032,2,1,month,,2020-01-01\n",
        dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,6,,yes,,,,\n",
    )
    assert export("2026-02-01").splitlines()[1] == (
        "P1,cushion,A7032,2026-02-01,2026-03-01,4,2026-07-01,2026-04-01,2026-07-01,2026-06-01,2026-06-21,0,0,"
        "in_supply,"
    )
    assert export("2026-07-03").splitlines()[1] == (
        "P1,cushion,A7032,2026-06-01,2026-07-01,0,2026-07-01,2026-04-01,2026-07-01,2026-06-01,2026-06-21,6,3,"
        "overdue,2"
    )
    (found,) = json.loads(export("2026-02-01", "--format", "json"))
    assert list(found) == COLUMNS.split(",")
    assert (found["spares"], found["quantity_limit"], found["days_overdue"]) == (4, 0, None)
    assert found["worn_on"] == "2026-03-01"


def test_rows_are_in_byte_order_of_reference_and_kind(tmp_path: Path) -> None:
    references = ["b", "a", "B", "Ä", "a-1", "a1", "10", "9"]
    people = [f"{ref},Ana,Ek,1990-01-01,,,,,,," for ref in references]
    parts = [
        f"{ref},2026-01-01,{code},1,,no,,,," for ref in references for code in ("A7037", "A7032", "A7034")
    ]
    bring(
        tmp_path,
        patients="\n".join([PATIENTS, *people]),
        dispenses="\n".join([DISPENSES, *parts]),
    )
    found = [(row["patient_ref"], row["kind"]) for row in rows("2026-03-18")]
    assert found == sorted(found, key=lambda pair: (pair[0].encode(), pair[1].encode()))
    assert len(found) == 24


def test_facts_dated_after_the_day_are_ignored(tmp_path: Path) -> None:
    bring(
        tmp_path,
        patients=PATIENT,
        lives=f"{LIVES}\nA7032,2,week,2026-02-10,,\n",
        dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,1,,no,,,,\nP1,2026-03-01,A7032,1,,no,,,,\n",
        events=f"{EVENTS}\nP1,lost,cushion,2026-03-05,,\n",
    )
    assert rows("2025-12-31") == []
    assert [row["supply_ends_on"] for row in rows("2026-01-02")] == ["2026-02-01"]
    assert [row["state"] for row in rows("2026-02-28")] == ["overdue"]
    assert [row["in_use_since"] for row in rows("2026-03-04")] == ["2026-03-01"]
    assert [(row["in_use_since"], row["supply_ends_on"]) for row in rows("2026-03-05")] == [
        ("", "2026-03-05")
    ]
    assert [row["days_overdue"] for row in rows("2031-03-05")] == [
        str((date(2031, 3, 5) - date(2026, 3, 5)).days)
    ]


def test_patients_of_every_status_are_listed(tmp_path: Path) -> None:
    bring(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,1,,no,,,,\n")
    before = export("2026-03-18")
    Patient.objects.update(status=PatientStatus.DIED)
    assert export("2026-03-18") == before


def test_as_known_at_leaves_out_what_was_recorded_later_and_keeps_what_was_voided_later(
    tmp_path: Path,
) -> None:
    bring(
        tmp_path,
        patients=PATIENT,
        dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,1,,no,,,,\n",
        events=f"{EVENTS}\nP1,lost,cushion,2026-01-15,,\n",
    )
    known = NOW.isoformat()
    with_loss = export("2026-03-18")
    Event.objects.update(voided_at=datetime(2026, 3, 19, tzinfo=UTC), void_reason="wrong patient")
    assert export("2026-03-18") != with_loss
    assert export("2026-03-18", "--as-known-at", known) == with_loss
    assert rows("2026-03-18", "--as-known-at", "2026-03-18T14:59:59Z") == []


@pytest.mark.parametrize("as_of", ["0001-01-01", "1900-01-01", "2024-02-29", "2200-12-31", "9999-12-31"])
def test_any_day_works(tmp_path: Path, as_of: str) -> None:
    bring(tmp_path, patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-01-01,A7032,3,,yes,,,,\n")
    assert len(rows(as_of)) == (as_of > "2026")


@pytest.mark.parametrize("as_of", ["2026-02-30", "20260218", "2026-2-1", "today"])
def test_what_is_no_day_is_refused(as_of: str) -> None:
    with pytest.raises(CommandError, match="is no day"):
        export(as_of)


@pytest.mark.parametrize("moment", ["2026-03-18", "2026-03-18T15:00:00", "now"])
def test_a_moment_without_its_offset_is_refused(moment: str) -> None:
    with pytest.raises(CommandError, match="is no moment"):
        export("2026-03-18", "--as-known-at", moment)


def test_explanations_have_no_place_in_csv() -> None:
    with pytest.raises(CommandError, match="--format json"):
        export("2026-03-18", "--explain")


def test_memory_and_queries_follow_batches_not_patients(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    people = [f"P{n:02},Ana,Ek,1990-01-01,,,,,,," for n in range(9)]
    parts = [f"P{n:02},2026-01-01,A7032,1,,no,,,," for n in range(9)]
    bring(tmp_path, patients="\n".join([PATIENTS, *people]), dispenses="\n".join([DISPENSES, *parts]))

    def asked(batch: int) -> tuple[Any, int]:
        monkeypatch.setattr(plan_table, "BATCH", batch)
        with CaptureQueriesContext(connection) as queries:
            text = export("2026-03-18")
        return text, len(queries)

    (by_three, queries_by_three), (at_once, queries_at_once) = asked(3), asked(100)
    assert by_three == at_once
    assert queries_by_three - queries_at_once == 2 * 2  # two batches more, two queries each
