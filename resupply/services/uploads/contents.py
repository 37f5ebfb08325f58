"""What the files of an upload hold, and what a check leaves with it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import cast

from resupply.models import FilePart, Upload, UploadFile, UploadProblem
from resupply.services.importing.columns import TABLES, table_of
from resupply.services.importing.failed import failed_csv, rows_csv, taken_in, with_mended
from resupply.services.importing.reading import RawRow, read_table, renumbered
from resupply.services.importing.report import Report
from resupply.services.importing.workbook import read_workbook

WORKBOOK = "workbook"
"""`table` of a file that holds several."""
BATCH = 2_000
_LONGEST = 1_000
"""Characters of a value kept with a problem."""


@dataclass(slots=True)
class Contents:
    """The rows of an upload by table; `mended` are those of them that came in again, `replaced` the numbers
    of the rows they stand for, or that were taken out.
    """

    rows: dict[str, list[RawRow]] = field(default_factory=dict)
    mended: dict[str, list[RawRow]] = field(default_factory=dict)
    replaced: dict[str, list[int]] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Rows in all."""
        return sum(len(rows) for rows in self.rows.values())


def table_for(file_name: str) -> str | None:
    """The table a file is for by its name, `workbook` for .xlsx; None for any other."""
    if file_name.strip().lower().endswith(".xlsx"):
        return WORKBOOK
    table = table_of(file_name)
    return table.name if table else None


def read_file(table: str, file_name: str, content: bytes, report: Report) -> dict[str, list[RawRow]]:
    """The rows of one file by table; faults of form go to `report`."""
    if table == WORKBOOK:
        return read_workbook(content, file_name, report)
    known = next(known for known in TABLES if known.name == table)
    return {table: read_table(content, known, report)}


def read_upload(upload: Upload, report: Report) -> Contents:
    """Everything an upload holds, mended rows in the places of those they replace."""
    files = list(upload.files.exclude(part=FilePart.FAILED).order_by("id"))
    sent = _read(files, FilePart.SENT, report)
    mended = _read(files, FilePart.MENDED, Report())
    returned = _read(files, FilePart.RETURNED, Report())
    failed = cast("Mapping[str, list[int]]", upload.report.get("failed", {}))
    found = Contents(replaced=dict(cast("Mapping[str, list[int]]", upload.report.get("replaced", {}))))
    for table in TABLES:
        name = table.name
        now_mended = mended.get(name, [])
        if name in returned:
            gone = failed.get(name, [])
            now_mended = taken_in(sent.get(name, []), now_mended, renumbered(returned[name]), gone)
            found.replaced[name] = sorted({*found.replaced.get(name, []), *gone})
        if now_mended:
            found.mended[name] = now_mended
        if name in sent or now_mended:
            found.rows[name] = with_mended(sent.get(name, []), now_mended, found.replaced.get(name, []))
    _drop_problems_of_replaced(found, report)
    return found


def _read(files: Sequence[UploadFile], part: str, report: Report) -> dict[str, list[RawRow]]:
    found: dict[str, list[RawRow]] = {}
    for file in files:
        if file.part == part:
            rows = read_file(file.table, file.file_name, bytes(file.content), report)
            found |= (
                {name: renumbered(raws) for name, raws in rows.items()} if part != FilePart.SENT else rows
            )
    return found


def _drop_problems_of_replaced(found: Contents, report: Report) -> None:
    """What was wrong with a row that another stands for is no matter any more."""
    gone = {
        (table.file, number)
        for table in TABLES
        for number in (
            *found.replaced.get(table.name, []),
            *(raw.number for raw in found.mended.get(table.name, [])),
        )
    }
    report.problems = [problem for problem in report.problems if (problem.file, problem.row) not in gone]


def store_check(upload: Upload, found: Contents, report: Report) -> None:
    """Keep what a check found: its problems, the rows at fault, and the mended rows as they are now."""
    upload.problems.all().delete()
    UploadProblem.objects.bulk_create(
        (
            UploadProblem(
                upload=upload,
                file=problem.file[:120],
                row=problem.row,
                column=problem.column[:200],
                value=problem.value[:_LONGEST],
                wrong=problem.wrong,
                mend=problem.mend,
                is_warning=problem.is_warning,
            )
            for problem in report.problems
        ),
        batch_size=BATCH,
    )
    upload.files.exclude(part=FilePart.SENT).delete()
    _store(upload, FilePart.MENDED, {name: "".join(rows_csv(rows)) for name, rows in found.mended.items()})
    _store(upload, FilePart.FAILED, {name: "".join(failed_csv(rows)) for name, rows in report.failed.items()})


def _store(upload: Upload, part: str, texts: Mapping[str, str]) -> None:
    UploadFile.objects.bulk_create(
        UploadFile(upload=upload, part=part, table=name, file_name=f"{name}.csv", content=text.encode())
        for name, text in texts.items()
    )


def empty(upload: Upload) -> None:
    """Leave nothing of an upload's files but their names: they hold patients' data."""
    upload.problems.all().delete()
    upload.files.exclude(part=FilePart.SENT).delete()
    upload.files.update(content=b"")


def summary(found: Contents, report: Report) -> dict[str, object]:
    """What the page says of a check or a write; no patient data."""
    return {
        "rows": {name: len(rows) for name, rows in found.rows.items()},
        "added": report.added,
        "changed": report.changed,
        "known": report.known,
        "consents": report.consents,
        "plans_changed": report.plans_changed,
        "errors": len(report.errors),
        "warnings": len(report.warnings),
        "failed": {name: [row.number for row in rows] for name, rows in report.failed.items()},
        "replaced": found.replaced,
        "mended": {name: len(rows) for name, rows in found.mended.items()},
    }
