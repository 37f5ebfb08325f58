"""How long `make run` takes to its first page: in an empty folder, and again with the demo clinic there."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.error import URLError
from urllib.request import urlopen

from benchmarks.measure import Result
from clinic import servers

ROOT = Path(__file__).resolve().parents[1]
MOST = 10.0
PATIENCE = 120.0


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """Seconds from the command to the page for signing in."""
    with TemporaryDirectory() as folder:
        for what in ("make run, first time, s to the first page", "make run, again, s to the first page"):
            yield Result(what, round(_opened(Path(folder)), 2), MOST, "limit in s", 1)


def _opened(var: Path) -> float:
    port = servers.free_port()
    ours = {"DATABASE_URL", "DJANGO_SETTINGS_MODULE", "LOG_LEVEL", "STATIC_FROM_SOURCE"}
    variables = {name: value for name, value in os.environ.items() if name not in ours}
    variables |= {"DEMO": "1", "VAR_DIR": str(var), "PORT": str(port)}
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "clinic.run"], cwd=ROOT, env=variables, stdout=subprocess.DEVNULL
    )
    try:
        while not _answers(port):
            if process.poll() is not None or time.perf_counter() - began > PATIENCE:
                raise RuntimeError("it did not open")
            time.sleep(0.05)
        return time.perf_counter() - began
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait()


def _answers(port: int) -> bool:
    try:
        with urlopen(f"http://127.0.0.1:{port}/sign-in/", timeout=5) as answer:
            return bool(answer.status == 200)
    except (URLError, OSError):
        return False
