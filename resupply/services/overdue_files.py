"""The overdue list of a past day, worked out in the background and left as a file.

The work goes by patient in committed batches: a job that is cut off goes on from the last one. The rows are
kept as CSV on the way; a workbook is written from them at the end. What counts is said in
`queries.overdue_past`.
"""

import csv
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from io import StringIO
from tempfile import TemporaryFile
from typing import IO, cast

from resupply.delivery.overdue_words import last_words
from resupply.delivery.tables_out import Cell, csv_lines, unguarded
from resupply.delivery.words import counted, day_words
from resupply.delivery.workbooks import write_workbook
from resupply.queries.overdue_past import PastLine, past_lines, patients_at
from resupply.services.jobs import JobFile, Progress, register
from resupply.services.jobs.kinds import CSV, XLSX, Params

AS_OF = "overdue_as_of"
BATCH = 500
"""Patients whose facts are held at once."""
HEADER = (
    "patient_ref", "given_name", "family_name", "birth_date", "phone", "location", "payer", "kind",
    "part_code", "supply_ended_on", "days_overdue", "covered_from", "waiting_for_coverage", "last_contact_on",
    "last_contact",
)  # fmt: skip
_DAYS = frozenset({"birth_date", "supply_ended_on", "covered_from", "last_contact_on"})
_CHUNK = 1 << 20


@register(AS_OF)
def overdue_as_of(params: Params, progress: Progress, *, now: datetime) -> JobFile | None:
    """Work out the list as of `day` at `location_ids` (empty: everywhere), as `form` csv or xlsx."""
    day, places = date.fromisoformat(str(params["day"])), cast("list[int]", params["location_ids"])
    after, done = _number(progress, "after"), _number(progress, "done")
    rows, of = _number(progress, "rows"), patients_at(places)
    if not progress.left_at:
        header = "".join(csv_lines(HEADER, ()))
        progress.keep({"after": 0, "done": 0, "rows": 0}, header.encode())
    while True:
        progress(min(done, of), of)
        last, lines = past_lines(after, day=day, location_ids=places, limit=BATCH)
        if last is None:
            break
        after, done, rows = last, done + BATCH, rows + len(lines)
        progress.keep({"after": after, "done": done, "rows": rows}, "".join(_lines(lines, day)).encode())
    progress.say(
        f"{counted(rows, 'line was,lines were')} overdue at the end of {day_words(day, today=None)}."
    )
    name = f"overdue-as-of-{day.isoformat()}"
    if params["form"] == "csv":
        return JobFile(f"{name}.csv", CSV)
    return JobFile(f"{name}.xlsx", XLSX, _workbook(progress.kept(), day), instead=True)


def cells(line: PastLine, day: date) -> list[Cell]:
    """One line in the order of `HEADER`."""
    patient, plan = line.patient, line.plan
    waiting = plan.covered_from is not None and plan.covered_from > day
    return [
        patient.reference, patient.given_name, patient.family_name, patient.birth_date, patient.phone,
        patient.location.name, line.payer, plan.kind.value, plan.code, plan.supply_ends_on, line.days,
        plan.covered_from, "yes" if waiting else "no", line.last.on if line.last else None,
        last_words(line.last),
    ]  # fmt: skip


def _lines(lines: Iterable[PastLine], day: date) -> Iterator[str]:
    """CSV without its header."""
    written = csv_lines(HEADER, (cells(line, day) for line in lines))
    next(written)
    return written


def _workbook(chunks: Iterable[bytes], day: date) -> Iterator[bytes]:
    """A workbook of the rows kept as CSV; made at once, handed out in pieces."""
    file = TemporaryFile()  # noqa: SIM115 - it is closed once it has been handed out
    write_workbook(file, f"Overdue {day.isoformat()}", HEADER, _rows(chunks))
    file.seek(0)
    return _pieces(file)


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(_CHUNK):
            yield piece


def _rows(chunks: Iterable[bytes]) -> Iterator[list[Cell]]:
    """The rows of CSV in whole lines, as cells again."""
    for number, chunk in enumerate(chunks):
        rows = csv.reader(StringIO(chunk.decode(), newline=""))
        if number == 0:
            next(rows)
        for row in rows:
            yield [_cell(name, text) for name, text in zip(HEADER, row, strict=True)]


def _cell(name: str, text: str) -> Cell:
    if not text:
        return None
    if name in _DAYS:
        return date.fromisoformat(text)
    return int(text) if name == "days_overdue" else unguarded(text)


def _number(progress: Progress, name: str) -> int:
    return int(str(progress.left_at.get(name, 0)))
