"""The import of dispenses from CSV, checks and plans included, against COPY of the same rows, triggers on."""

import csv
from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from django.db import connection, transaction

from benchmarks import databases
from benchmarks.measure import Result, once
from benchmarks.population import TODAY
from resupply import clock
from resupply.models import Dispense, DispenseLine, Patient
from resupply.rules.tables import part_types
from resupply.services.importing import import_folder

MANY, FEW = 100_000, 10_000
EACH = 10
"""Dispenses of a patient."""


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """In a copy of the smallest database; 100,000 dispenses at full size, else 10,000."""
    with databases.copied(sizes[0]), TemporaryDirectory() as folder:
        number = min(MANY if sizes[-1] >= 1_000_000 else FEW, EACH * sizes[0])
        patients = list(Patient.objects.order_by("-pk").values_list("pk", "reference", "location"))
        patients = patients[: number // EACH]
        _write(Path(folder), [reference for _, reference, _ in patients])
        copied = round(once(lambda: _copy(patients)), 1)
        taken = round(once(lambda: _import(Path(folder), number)), 1)
        yield Result(f"import of {number:,} dispenses, ms", taken, copied, "COPY of the same rows", 5)


def _days() -> list[tuple[str, timedelta]]:
    """What each patient is given, and how long ago."""
    codes = ("A7032", "A7038", "A7034", "A7037", "A7035")
    return [(codes[place % 5], timedelta(days=31 * place + 11)) for place in range(EACH)]


def _write(folder: Path, references: Sequence[str]) -> None:
    with (folder / "dispenses.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["patient_ref", "dispensed_on", "part_code", "quantity"])
        for reference in references:
            rows.writerows([reference, (TODAY - ago).isoformat(), code, 1] for code, ago in _days())


def _import(folder: Path, number: int) -> None:
    report = import_folder(folder, commit=True, now=clock.now())
    if report.errors or report.added.get("dispenses") != number:
        raise RuntimeError(f"{len(report.errors)} errors, {report.added}")


def _copy(patients: Sequence[tuple[int, str, int]]) -> None:
    """The rows of both tables, taken back at the end."""
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SELECT coalesce(max(id), 0) FROM resupply_dispense")
            first = cursor.fetchone()[0] + 1
        given = [
            Dispense(pk=first + place, patient_id=pk, location_id=at, dispensed_on=TODAY - ago)
            for place, (pk, at, _, ago) in enumerate(
                (pk, at, code, ago) for pk, _, at in patients for code, ago in _days()
            )
        ]
        databases.copy(Dispense, given, with_ids=True)
        codes = [code for _ in patients for code, _ in _days()]
        databases.copy(
            DispenseLine,
            (
                DispenseLine(
                    dispense_id=one.pk,
                    position=0,
                    part_code=code,
                    kind=part_types()[code].kind.value,
                    quantity=1,
                )
                for one, code in zip(given, codes, strict=True)
            ),
        )
        transaction.set_rollback(True)
