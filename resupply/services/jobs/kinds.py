"""The kinds of work there are, and what a run is given and gives back.

    @register("overdue_as_of")
    def overdue_as_of(params: Params, progress: Progress, *, now: datetime) -> JobFile | None: ...

A run tells `progress(done, of)` how far it is. One that takes more than a few seconds also *keeps* what is
done: `progress.keep({"after": 4711}, b"...")` commits where to go on (`progress.left_at`, empty at first) and
a chunk of the file, so that it may be cut off at any moment and goes on from there, in a later slice too.
What a run writes must be safe to write twice up to the last `keep`. What it refuses (`Refused`) ends the job
with that sentence; any other error is tried again, `MOST_ATTEMPTS` times in a row without a `keep`.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

CSV = "text/csv; charset=utf-8"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Params = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class JobFile:
    """The file of a job; `chunks` follow those that were kept on the way, or take their place (`instead`)."""

    name: str
    type: str
    chunks: Iterable[bytes] = ()
    instead: bool = False


class Progress:
    """What a run tells of itself. This one keeps everything in memory, for a terminal or a test."""

    def __init__(self, left_at: Params | None = None) -> None:
        self.left_at: Params = left_at or {}
        self.chunks: list[bytes] = []
        self.outcome = ""
        self.told: tuple[int, int] = (0, 0)

    def __call__(self, done: int, of: int) -> None:
        """So much of so much is done; 0 of 0: nobody knows."""
        self.told = (done, of)

    def keep(self, left_at: Params, chunk: bytes = b"") -> None:
        """Commit where to go on after this, and the next chunk of the file."""
        self.left_at = left_at
        if chunk:
            self.chunks.append(chunk)

    def kept(self) -> Iterable[bytes]:
        """The chunks kept so far, in order."""
        return iter(self.chunks)

    def say(self, words: str) -> None:
        """What came of it, for the page; no patient data."""
        self.outcome = words


class Run(Protocol):
    """The work of a kind."""

    def __call__(self, params: Params, progress: Progress, /, *, now: datetime) -> JobFile | None:
        """Do it."""


_RUNS: dict[str, Run] = {}


def register(kind: str) -> Callable[[Run], Run]:
    """Name a run. A name is given once."""

    def named(run: Run) -> Run:
        if _RUNS.setdefault(kind, run) is not run:
            raise ValueError(f"two runs are named {kind}")
        return run

    return named


def run_of(kind: str) -> Run:
    """The run of a name; KeyError where nobody registered it."""
    return _RUNS[kind]


def kinds() -> list[str]:
    """The names of all kinds."""
    return sorted(_RUNS)
