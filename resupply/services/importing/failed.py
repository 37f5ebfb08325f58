"""Rows at fault, handed back for mending, and taken in again."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence

from resupply.delivery.tables_out import csv_lines
from resupply.services.importing.columns import HANDED_BACK, MEND, ROW_IN_FILE, TABLES, WRONG
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import FailedRow, Problem, Report


def failed_rows(raws: Mapping[str, Sequence[RawRow]], report: Report) -> dict[str, list[FailedRow]]:
    """The rows at fault by table, each once, in file order."""
    faults: dict[tuple[str, int], list[Problem]] = defaultdict(list)
    for problem in report.errors:
        faults[problem.file, problem.row].append(problem)
    failed: dict[str, list[FailedRow]] = defaultdict(list)
    for table in TABLES:
        for raw in raws.get(table.name, []):
            if found := faults.get((table.file, raw.number)):
                wrong = "; ".join(f"{problem.column}: {problem.wrong}" for problem in found)
                mend = "; ".join(f"{problem.column}: {problem.mend}" for problem in found)
                cells = {name: cell for name, cell in raw.cells.items() if name not in HANDED_BACK}
                failed[table.name].append(FailedRow(raw.number, cells, wrong, mend))
    return dict(failed)


def failed_csv(rows: Sequence[FailedRow]) -> Iterator[str]:
    """The lines of a CSV file of rows at fault: where each stood, its cells, what is wrong and what to do."""
    columns = list(dict.fromkeys(name for row in rows for name in row.cells))
    return csv_lines(
        [ROW_IN_FILE, *columns, WRONG, MEND],
        ([row.number, *(row.cells.get(name, "") for name in columns), row.wrong, row.mend] for row in rows),
    )


def rows_csv(rows: Sequence[RawRow]) -> Iterator[str]:
    """The lines of a CSV file of rows under the numbers they have."""
    columns = list(dict.fromkeys(name for row in rows for name in row.cells if name not in HANDED_BACK))
    return csv_lines(
        [ROW_IN_FILE, *columns],
        ([row.number, *(row.cells.get(name, "") for name in columns)] for row in rows),
    )


def taken_in(
    sent: Sequence[RawRow],
    mended: Sequence[RawRow],
    returned: Sequence[RawRow],
    failed: Collection[int],
) -> list[RawRow]:
    """The mended rows of a table once some more have come in.

    A returned row takes the place of the row whose number it names; one that names none comes last. A row
    that was handed back (`failed`) and did not come in again is gone: it was taken out on purpose.
    """
    numbers = {raw.number for raw in (*sent, *mended)}
    placed = {raw.number: raw for raw in returned if raw.number in numbers}
    added = [raw for raw in returned if placed.get(raw.number) is not raw]
    kept = [raw for raw in mended if raw.number not in failed and raw.number not in placed]
    last = max(numbers, default=1)
    return sorted([*kept, *placed.values()], key=_number) + [
        RawRow(last + place, raw.cells) for place, raw in enumerate(added, start=1)
    ]


def with_mended(sent: Sequence[RawRow], mended: Sequence[RawRow], replaced: Collection[int]) -> list[RawRow]:
    """The rows of a table, in file order: those sent, but for what mended rows replace."""
    gone = {*replaced, *(raw.number for raw in mended)}
    return sorted([*(raw for raw in sent if raw.number not in gone), *mended], key=_number)


def _number(raw: RawRow) -> int:
    return raw.number
