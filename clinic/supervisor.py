"""Starts a table of processes, keeps them running, and stops all of them with everything they started.

Each process gets a process group of its own. A terminal's Ctrl-C therefore reaches the supervisor alone,
which ends the others; whatever is left of a group after that is killed.
"""

import ctypes
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from clinic.processes import Process

STOP_PATIENCE = 15.0  # seconds for a process to end by itself
RESTART_PAUSE = 1.0  # seconds before a dead process starts again
MAX_RESTARTS = 5  # in RESTART_WINDOW seconds; more means that restarting does not help
RESTART_WINDOW = 120.0


class Child:
    """One process of the table, and its restarts."""

    def __init__(self, process: Process, environment: Mapping[str, str], folder: Path) -> None:
        self.process = process
        self.environment = {**environment, **process.environment}
        self.folder = folder
        self.starts: list[float] = []
        self.popen: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start the process and pass its lines on, each under the process's name."""
        self.starts.append(time.monotonic())
        self.popen = subprocess.Popen(
            with_this_python(self.process.command),
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            process_group=0,
            preexec_fn=_end_with_parent,
        )
        threading.Thread(target=self._pass_on, args=(self.popen,), daemon=True).start()

    def _pass_on(self, popen: subprocess.Popen[str]) -> None:
        assert popen.stdout is not None  # noqa: S101 - it was asked for above
        for line in popen.stdout:
            if line.strip():
                say(f"{self.process.name:>6} | {line.rstrip()}")

    def has_ended(self) -> bool:
        """Tell whether the process ended."""
        return self.popen is not None and self.popen.poll() is not None

    def restarts_lately(self) -> int:
        """Count the starts of the last RESTART_WINDOW seconds beyond the first."""
        return sum(started > time.monotonic() - RESTART_WINDOW for started in self.starts) - 1

    def signal(self, how: signal.Signals) -> None:
        """Signal the process itself."""
        if self.popen is not None and self.popen.poll() is None:
            self.popen.send_signal(how)

    def kill_group(self) -> None:
        """Kill whatever of the process and its children is left."""
        if self.popen is None:
            return
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.popen.pid, signal.SIGKILL)
        self.popen.wait()


class Supervisor:
    """Runs processes until it is told to shut down or one of them cannot be kept alive."""

    def __init__(self, processes: Sequence[Process], environment: Mapping[str, str], folder: Path) -> None:
        self.children = [Child(process, environment, folder) for process in processes]

    def start(self) -> None:
        """Start every process."""
        for child in self.children:
            child.start()

    def has_lost_one(self) -> bool:
        """Tell whether a process ended."""
        return any(child.has_ended() for child in self.children)

    def watch(self) -> None:
        """Restart whatever ends; return only when a process keeps ending."""
        while all(self._keep(child) for child in self.children):
            time.sleep(0.3)

    def _keep(self, child: Child) -> bool:
        """Start an ended process again; False if that was tried too often."""
        if not child.has_ended():
            return True
        child.kill_group()
        if child.restarts_lately() >= MAX_RESTARTS:
            say(f"{child.process.name} ended {MAX_RESTARTS + 1} times in a short while: stopping.")
            return False
        say(f"{child.process.name} ended; starting it again.")
        time.sleep(RESTART_PAUSE)
        child.start()
        return True

    def shut_down(self) -> None:
        """End every process: ask, wait, then kill what is left of it."""
        for child in self.children:
            child.signal(signal.SIGTERM)
        deadline = time.monotonic() + STOP_PATIENCE
        while time.monotonic() < deadline and not all(child.has_ended() for child in self.children):
            time.sleep(0.05)
        for child in self.children:
            child.kill_group()


def wait_until(check: Callable[[], bool], *, seconds: float, give_up: Callable[[], bool]) -> bool:
    """Return True once `check` holds; False after `seconds`, or as soon as `give_up` holds."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline and not give_up():
        if check():
            return True
        time.sleep(0.1)
    return False


def with_this_python(command: Sequence[str]) -> list[str]:
    """Return a command of the process table with `python` replaced by the interpreter that runs now."""
    return [sys.executable if word == "python" else word for word in command]


def say(text: str) -> None:
    """Print one line at once: other processes print too."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    """In the child, on Linux: be told to end should the supervisor be killed without a chance to do so."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(1, signal.SIGTERM)  # 1 is PR_SET_PDEATHSIG
