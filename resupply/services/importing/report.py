"""What an import found and did."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault or warning. `row` as a spreadsheet counts it (the header is 1); 0: the file as a whole."""

    file: str
    row: int
    column: str
    value: str
    wrong: str
    mend: str
    is_warning: bool = False


@dataclass(frozen=True, slots=True)
class FailedRow:
    """A row at fault as it was read, with everything that is wrong with it and what to do."""

    number: int
    cells: Mapping[str, str]
    wrong: str
    mend: str


@dataclass(slots=True)
class Report:
    """Outcome of an import. Counts are by table (`patients` ...); nothing was written unless `committed`."""

    problems: list[Problem] = field(default_factory=list)
    added: dict[str, int] = field(default_factory=dict)
    changed: dict[str, int] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)
    """Rows on record already, from an earlier import: they add nothing."""
    failed: dict[str, list["FailedRow"]] = field(default_factory=dict)
    """Rows at fault, by table, to be handed back for mending."""
    consents: int = 0
    """Patients whose imported address was taken as their yes to mail."""
    plans_changed: int = 0
    committed: bool = False

    @property
    def errors(self) -> list[Problem]:
        """Faults: one of them and nothing is written."""
        return [problem for problem in self.problems if not problem.is_warning]

    @property
    def warnings(self) -> list[Problem]:
        """Things to look at that stop nothing."""
        return [problem for problem in self.problems if problem.is_warning]

    def add(
        self, file: str, row: int, column: str, value: str, wrong: str, mend: str, *, is_warning: bool = False
    ) -> None:
        """Note a fault, or with `is_warning` a warning."""
        self.problems.append(Problem(file, row, column, value, wrong, mend, is_warning))

    def sort(self) -> None:
        """Order the problems by file (in the order files are read) and row; order within a row stays."""
        from resupply.services.importing.columns import TABLES

        place = {table.file: number for number, table in enumerate(TABLES)}
        self.problems.sort(key=lambda problem: (place.get(problem.file, len(place)), problem.row))
