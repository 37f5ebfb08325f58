"""Import records from a folder of CSV files; without --commit only say what it would do.

The report goes to standard output. With any error nothing is written and the exit code is 1.
"""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply import clock
from resupply.delivery.tables_out import csv_lines
from resupply.services.importing import Problem, Report, import_folder
from resupply.services.importing.columns import TABLES

MOST_SHOWN = 200
"""Problems printed of each sort; the rest are counted."""

_HEADER = ("", "File", "Row", "Column", "Value", "What is wrong", "What to do")
_LONGEST_VALUE = 40


class Command(BaseCommand):
    """import_records FOLDER [--commit] [--no-mail-consent] [--failed-rows FOLDER]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Import patients, lives, allowances, dispenses and events from CSV (dry run by default)."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument("folder", type=Path, help=f"holds any of {', '.join(t.file for t in TABLES)}")
        parser.add_argument("--commit", action="store_true", help="write, all or nothing")
        parser.add_argument(
            "--no-mail-consent",
            action="store_true",
            help="do not take an imported e-mail address for the patient's yes to mail",
        )
        parser.add_argument(
            "--failed-rows",
            type=Path,
            metavar="FOLDER",
            help="write the rows at fault there, with what to correct; from there they can be imported again",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Import and report."""
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is no folder.")
        report = import_folder(
            folder,
            commit=options["commit"],
            now=clock.now(),
            mail_consent=not options["no_mail_consent"],
        )
        for line in _problem_lines(report):
            self.stdout.write(line)
        if report.errors:
            if options["failed_rows"]:
                _write_failed_rows(report, options["failed_rows"])
            raise CommandError(f"{_count(len(report.errors), 'error')}: nothing was written.")
        for line in _summary_lines(report):
            self.stdout.write(line)


def _write_failed_rows(report: Report, folder: Path) -> None:
    """One CSV file per table with rows at fault; its last two columns are for people and not read back."""
    folder.mkdir(parents=True, exist_ok=True)
    for table, rows in report.failed.items():
        header = [*rows[0].cells, "what_is_wrong", "what_to_do"]
        lines = csv_lines(header, ([*row.cells.values(), row.wrong, row.mend] for row in rows))
        (folder / f"{table}.csv").write_text("".join(lines), encoding="utf-8")


def _problem_lines(report: Report) -> list[str]:
    """Errors and warnings as a table."""
    shown = [*report.errors[:MOST_SHOWN], *report.warnings[:MOST_SHOWN]]
    if not shown:
        return []
    table = [_HEADER, *(_cells(problem) for problem in shown)]
    widths = [max(len(row[place]) for row in table) for place in range(len(_HEADER) - 1)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[-1]]).rstrip()
        for row in table
    ]
    for name, found in (("error", report.errors), ("warning", report.warnings)):
        if len(found) > MOST_SHOWN:
            lines.append(f"... and {_count(len(found) - MOST_SHOWN, f'more {name}')}")
    return [*lines, ""]


def _cells(problem: Problem) -> tuple[str, ...]:
    """One problem as a row of the table."""
    value = problem.value
    if len(value) > _LONGEST_VALUE:
        value = f"{value[: _LONGEST_VALUE - 1]}…"
    return (
        "warning" if problem.is_warning else "ERROR",
        problem.file,
        str(problem.row) if problem.row else "",
        problem.column,
        repr(value) if problem.row > 1 else value,
        problem.wrong,
        problem.mend,
    )


def _summary_lines(report: Report) -> list[str]:
    """What was done, or would be."""
    done = "Written" if report.committed else "Dry run, nothing written. With --commit"
    lines = [f"{done}:"]
    for table in TABLES:
        added, known = report.added.get(table.name, 0), report.known.get(table.name, 0)
        changed = report.changed.get(table.name, 0)
        words = [f"{added} new", *([f"{changed} changed"] if changed else []), f"{known} on record already"]
        if added or changed or known:
            lines.append(f"  {table.name}: {', '.join(words)}")
    if report.consents:
        whose = _count(report.consents, "imported e-mail address", "imported e-mail addresses")
        lines.append(f"  {whose} taken as the patient's yes to mail (--no-mail-consent: as no answer)")
    if report.committed:
        lines.append(f"  {_count(report.plans_changed, 'plan row')} changed")
    return lines


def _count(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"
