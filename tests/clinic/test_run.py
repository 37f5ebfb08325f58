"""`make run` with its real processes: a first page, beats through the queue, nothing left after Ctrl-C."""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.client import HTTPConnection, HTTPMessage
from pathlib import Path

import psutil
import pytest

from clinic.livez import answers
from clinic.servers import free_port

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 170  # seconds; an empty folder takes migrations and two years of history for a demo clinic
OURS = re.compile(
    r"^(DEMO|VAR_DIR|DATABASE_URL|REDIS_URL|CACHE_URL|DJANGO_|STATIC_|LOG_LEVEL|GRANIAN_|PUBLIC_URL)"
)

pytestmark = pytest.mark.processes


class Run:
    """One `python -m clinic.run` in a folder of its own."""

    def __init__(self, var: Path, **variables: str) -> None:
        clean = {name: value for name, value in os.environ.items() if not OURS.match(name)}
        self.var, self.lines = var, list[str]()
        self.popen = subprocess.Popen(
            [sys.executable, "-m", "clinic.run"],
            cwd=ROOT,
            env={**clean, "DEMO": "1", "VAR_DIR": str(var), **variables},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.popen.stdout is not None
        self.lines.extend(self.popen.stdout)

    @property
    def text(self) -> str:
        return "".join(self.lines)

    def wait_for(self, pattern: str) -> re.Match[str]:
        """Return the first match in what was printed; fail with all of it if it never comes."""
        deadline = time.monotonic() + PATIENCE
        while time.monotonic() < deadline:
            if found := re.search(pattern, self.text):
                return found
            if self.popen.poll() is not None:
                break
            time.sleep(0.1)
        raise AssertionError(f"{pattern!r} never came:\n{self.text}")

    def stop(self, how: signal.Signals) -> int:
        """Signal the process alone, as a terminal or an init system would, and return its exit code."""
        if self.popen.poll() is None:
            self.popen.send_signal(how)
        return self.popen.wait(60)


def tree(run: Run) -> list[psutil.Process]:
    """Return every process that a run started: what descends from it, and its servers, which do not."""
    found = psutil.Process(run.popen.pid).children(recursive=True)
    for file in (run.var / "postgres" / "postmaster.pid", run.var / "redis" / "server.pid"):
        server = psutil.Process(int(file.read_text().split()[0]))
        found += [server, *server.children(recursive=True)]
    return found


def alive(processes: list[psutil.Process]) -> list[psutil.Process]:
    """Return those that still run (after a moment for the last to be collected)."""
    return psutil.wait_procs(processes, timeout=5)[1]


def get(port: int, path: str) -> tuple[int, HTTPMessage, str]:
    """Return status, headers and body of one request."""
    connection = HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", path)
    response = connection.getresponse()
    body = response.read().decode()
    connection.close()
    return response.status, response.headers, body


@pytest.fixture
def var() -> Iterator[Path]:
    """A short path, as a Unix socket needs, and nothing left running if the test fails."""
    import shutil
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="evenkeep-run-", dir="/tmp"))
    folder.chmod(0o755)
    yield folder
    from clinic import servers

    servers.stop_redis(folder / "redis")
    servers.stop_postgres(folder / "postgres")
    shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.long
def test_from_an_empty_folder_to_a_page_and_back_to_nothing(var: Path) -> None:
    port = free_port()
    run = Run(var, PORT=str(port), SWEEP_SECONDS="2")
    try:
        run.wait_for(rf"open: http://127\.0\.0\.1:{port}/")
        run.wait_for(r"Sign in as\n(    (desk|therapist|manager|admin) +([0-9a-f]{4}-){3}[0-9a-f]{4}\n){4}")

        status, headers, body = get(port, "/sign-in/")
        assert status == 200
        assert "<form" in body
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert get(port, "/")[0] == 302
        styles = re.findall(r'href="(/static/[^"]+\.css)"', body)
        assert styles
        assert all(get(port, style)[0] == 200 for style in styles)

        heartbeat = [sys.executable, "manage.py", "check_heartbeat", "--within", "60"]
        environment = {**os.environ, "DEMO": "1", "VAR_DIR": str(var)}
        environment.pop("REDIS_URL", None)
        environment.pop("DATABASE_URL", None)
        deadline = time.monotonic() + 60
        while subprocess.run(heartbeat, cwd=ROOT, env=environment, capture_output=True).returncode != 0:
            assert time.monotonic() < deadline, run.text
            time.sleep(1)

        assert (var / "secret-key").stat().st_mode & 0o077 == 0
        started = tree(run)
        names = " ".join(" ".join(process.cmdline()) for process in started)
        for part in ("granian", "celeryd", "celery beat", "postgres", "valkey"):
            assert part in names
    finally:
        code = run.stop(signal.SIGINT)
    assert code == 0, run.text
    assert "Stopped." in run.text
    assert alive(started) == []


def test_a_taken_port_is_said_and_another_used_and_sigterm_stops_all(var: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        run = Run(var, PORT=str(port))
        try:
            other = int(run.wait_for(rf"Port {port} is taken; using (\d+)\.").group(1))
            assert other != port
            started = tree(run)
        finally:
            code = run.stop(signal.SIGTERM)
    assert code == 0, run.text
    assert alive(started) == []


@pytest.mark.parametrize("after", [0.1, 1.0])
def test_stopped_at_any_moment_of_its_start_it_leaves_nothing(var: Path, after: float) -> None:
    run = Run(var, PORT=str(free_port()))
    run.wait_for("Starting PostgreSQL")
    time.sleep(after)
    assert run.stop(signal.SIGINT) == 0, run.text
    left = [
        process for process in psutil.process_iter(["cmdline"]) if str(var) in str(process.info["cmdline"])
    ]
    assert alive(left) == []


def test_a_second_run_in_the_same_folder_and_an_open_host_are_refused(var: Path) -> None:
    (var / "run.lock").touch()
    import fcntl

    with (var / "run.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        second = Run(var)
        assert second.popen.wait(30) == 3
        time.sleep(0.2)
        assert "Already running" in second.text
        assert "Stopped." not in second.text  # the first goes on
    reachable = Run(var, HOST="0.0.0.0")  # noqa: S104 - the address that must be refused
    assert reachable.popen.wait(30) == 2
    assert Run(var, DEMO="0").popen.wait(30) == 2
    assert Run(var, PORT="80O0").popen.wait(30) == Run(var, PORT="80800").popen.wait(30) == 2


def test_livez_says_no_where_nothing_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRANIAN_PORT", str(free_port()))
    assert answers() is False


def test_livez_says_no_where_something_else_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        monkeypatch.setenv("GRANIAN_PORT", str(other.getsockname()[1]))

        def greet() -> None:
            visitor, _ = other.accept()
            with visitor:
                visitor.sendall(b"220 mail.clinic.example ready\r\n")

        thread = threading.Thread(target=greet)
        thread.start()
        assert answers() is False
        thread.join(10)
