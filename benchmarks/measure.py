"""Timing, and how results are shown: product and limit from one run, and the ratio of the two.

Beside the time on the clock stands the processor time of this process and of its PostgreSQL backend, where
that runs on this machine (Linux): on a busy machine only that is worth comparing.
"""

import gc
import json
import os
import platform
import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import django
from django.db import connection
from django.http.response import HttpResponseBase


@dataclass(frozen=True, slots=True)
class Times:
    """What runs of one thing took, in milliseconds; `cpu`: processor time of a run, on average."""

    min: float
    median: float
    max: float
    cpu: float
    runs: int

    def __str__(self) -> str:
        return f"{self.median:.2f} ms ({self.min:.2f} to {self.max:.2f}, processor {self.cpu:.2f})"


@dataclass(frozen=True, slots=True)
class Result:
    """One line: `ratio` is product over limit, good up to `to_reach`."""

    what: str
    product: Times | float
    limit: Times | float
    limit_is: str
    to_reach: float

    @property
    def ratio(self) -> float:
        """Product over limit."""
        return _value(self.product) / _value(self.limit)

    def __str__(self) -> str:
        mark = "reached" if self.ratio <= self.to_reach else "MISSED"
        return (
            f"{self.what}: {_shown(self.product)}; {self.limit_is}: {_shown(self.limit)}; "
            f"ratio {self.ratio:.2f}, to reach {self.to_reach:g}: {mark}"
        )

    def as_json(self) -> str:
        """The same for programs."""
        return json.dumps(asdict(self) | {"ratio": round(self.ratio, 3)}, ensure_ascii=False)


def machine() -> dict[str, object]:
    """What the figures depend on: processor cores, memory, versions, how busy it is. No names."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('server_version'), current_setting('shared_buffers')")
        postgres, buffers = cursor.fetchone()
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "cores": len(os.sched_getaffinity(0)),
        "memory_gb": round(memory),
        "load": round(os.getloadavg()[0], 1),
        "python": platform.python_version(),
        "django": django.get_version(),
        "postgresql": postgres,
        "shared_buffers": buffers,
        "day": f"{datetime.now(UTC):%Y-%m-%d}",
    }


def timed(work: Callable[[], object], *, runs: int = 15, warm: int = 2) -> Times:
    """Run it `warm` times unmeasured, then `runs` times."""
    for _ in range(warm):
        work()
    return measured(lambda: iter([work] * runs))


def measured(series: Callable[[], Iterable[Callable[[], object]]]) -> Times:
    """Time each piece of work of a series."""
    taken, busy = [], 0.0
    gc.collect()
    for work in series():
        before, began = processor(), time.perf_counter()
        work()
        taken.append((time.perf_counter() - began) * 1000)
        busy += processor() - before
    return Times(min(taken), statistics.median(taken), max(taken), busy * 1000 / len(taken), len(taken))


def once(work: Callable[[], object]) -> float:
    """Milliseconds that one run takes, on a connection that stands before it."""
    connection.ensure_connection()
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) * 1000


def shown(answer: HttpResponseBase) -> None:
    """Refuse the time of an answer that is no page: another status is soon written."""
    if answer.status_code != 200:
        raise RuntimeError(f"a page was asked for, and the answer was {answer.status_code}")


def processor() -> float:
    """Seconds of processor time of this process and, where it runs here, of its backend."""
    connection.ensure_connection()
    schedule = Path(f"/proc/{connection.connection.info.backend_pid}/schedstat")
    backend = int(schedule.read_text().split()[0]) / 1e9 if _is_local() and schedule.exists() else 0.0
    return time.process_time() + backend


def _is_local() -> bool:
    """Whether the server is reached by a socket of this machine."""
    return str(connection.settings_dict["HOST"]).startswith("/")


def _value(of: Times | float) -> float:
    return of.median if isinstance(of, Times) else of


def _shown(of: Times | float) -> str:
    return str(of) if isinstance(of, Times) else f"{of:g}"
