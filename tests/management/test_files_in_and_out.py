"""Files in, plan out: the whole road against a reading of the same files that shares no code with it.

What comes out equals the literal day-by-day simulation (tests/rules/simulation.py, month arithmetic by
python-dateutil) of the facts that a reader of the files alone takes from them.
"""

import csv
import json
import os
import tempfile
from datetime import date, timedelta
from io import StringIO
from pathlib import Path
from random import Random
from typing import Any

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.management.folders import FIRST, HEADERS, folders, read, texts
from tests.rules.recompute import recompute
from tests.rules.simulation import simulate
from tests.services.importing import bring, on_record

pytestmark = pytest.mark.django_db

EXAMPLES = 500 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 12
_AS_LONG_AS_IT_TAKES = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def exported(as_of: date) -> list[dict[str, str]]:
    """The plan as the command writes it."""
    out = StringIO()
    call_command("export_plan", "--as-of", as_of.isoformat(), stdout=out)
    return list(csv.DictReader(StringIO(out.getvalue())))


def explained(as_of: date) -> list[dict[str, Any]]:
    """The plan with its explanations as the command writes it."""
    out = StringIO()
    call_command("export_plan", "--as-of", as_of.isoformat(), "--format", "json", "--explain", stdout=out)
    found: list[dict[str, Any]] = json.loads(out.getvalue())
    return found


def shown(value: object) -> str:
    """A value as CSV shows it."""
    return "" if value is None else str(value)


@given(folder=folders(), ahead=st.lists(st.integers(0, 500), min_size=1, max_size=3))
@_AS_LONG_AS_IT_TAKES
def test_the_exported_plan_is_what_the_files_say(folder: dict[str, list[str]], ahead: list[int]) -> None:
    files = texts(folder)
    reading = read(files)
    with transaction.atomic(), tempfile.TemporaryDirectory() as place:
        report = bring(Path(place), **files)
        assert report.errors == []
        for days in ahead:
            as_of = FIRST + timedelta(days=days)
            expected = [
                {"patient_ref": reference}
                | {name: shown(getattr(row, name)) for name in row.__dataclass_fields__}
                for reference in sorted(reading.facts)
                for row in sorted(
                    simulate(reading.facts[reference], reading.policy, as_of=as_of),
                    key=lambda row: row.kind.value,
                )
            ]
            assert exported(as_of) == expected
        transaction.set_rollback(True)


@given(folder=folders(), seed=st.integers(0, 2**32))
@_AS_LONG_AS_IT_TAKES
def test_the_order_of_import_does_not_matter_across_days(folder: dict[str, list[str]], seed: int) -> None:
    """A row a folder, in any order after the patients, gives the plan of one folder with all of them.

    Only within a day rows have an order, so days are made to differ.
    """
    dealt = _one_a_day(folder)
    as_of = FIRST + timedelta(days=200)
    with transaction.atomic(), tempfile.TemporaryDirectory() as place:
        bring(Path(place), **texts(dealt))
        together = exported(as_of)
        transaction.set_rollback(True)
    rows = [(name, row) for name, rows in dealt.items() for row in rows if name != "patients"]
    Random(seed).shuffle(rows)
    with transaction.atomic(), tempfile.TemporaryDirectory() as place:
        bring(Path(place) / "patients", **texts({"patients": dealt["patients"]}))
        for number, (name, row) in enumerate(rows):
            bring(Path(place) / str(number), **texts({name: [row]}))
        assert exported(as_of) == together
        before = on_record()
        bring(Path(place) / "all", **texts(dealt))
        assert on_record() == before
        transaction.set_rollback(True)


@given(folder=folders(), days=st.integers(0, 500))
@_AS_LONG_AS_IT_TAKES
def test_every_exported_date_and_quantity_follows_from_its_exported_steps(
    folder: dict[str, list[str]], days: int
) -> None:
    """From the JSON alone, by an evaluator that shares nothing with the product (rules/recompute.py)."""
    as_of = FIRST + timedelta(days=days)
    with transaction.atomic(), tempfile.TemporaryDirectory() as place:
        bring(Path(place), **texts(folder))
        rows, plain = explained(as_of), exported(as_of)
        transaction.set_rollback(True)
    assert [
        {name: shown(value) for name, value in row.items() if name != "explanation"} for row in rows
    ] == plain
    for row in rows:
        explanation = row.pop("explanation")
        worked_out = recompute(explanation["steps"], explanation["values"])
        assert worked_out.keys() == row.keys() - {"patient_ref", "kind", "part_code"}
        for name, value in worked_out.items():
            assert shown(value) == shown(row[name]), name


def _one_a_day(folder: dict[str, list[str]]) -> dict[str, list[str]]:
    """The rows whose day (and, of versions, whose code) no earlier row of their file has."""
    kept: dict[str, list[str]] = {}
    for name, rows in folder.items():
        columns = HEADERS[name].split(",")
        seen = set()
        kept[name] = []
        for row in rows:
            cells = dict(zip(columns, row.split(","), strict=True))
            day = cells.get("dispensed_on") or cells.get("on") or cells.get("effective_from") or row
            if day not in seen:
                seen.add(day)
                kept[name].append(row)
    return kept
