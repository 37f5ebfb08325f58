"""The supervisor, with real processes: what ends starts again, what is stopped leaves nothing behind."""

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from clinic import supervisor
from clinic.processes import Process
from clinic.supervisor import Supervisor, wait_until, with_this_python


def process(name: str, code: str) -> Process:
    return Process(name=name, command=("python", "-c", code), health=("python", "-c", ""))


def start(folder: Path, *processes: Process) -> Supervisor:
    running = Supervisor(processes, os.environ, folder)
    running.start()
    return running


def soon(check: Callable[[], bool]) -> bool:
    return wait_until(check, seconds=10, give_up=lambda: False)


def is_alive(pid: int) -> bool:
    """Tell whether a process runs; one that ended and waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


STUBBORN = """
import os, signal, subprocess, sys, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
open("pids", "w").write(f"{os.getpid()} {child.pid}")
time.sleep(600)
"""


def test_a_process_that_will_not_end_is_killed_with_its_children(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervisor, "STOP_PATIENCE", 0.5)
    running = start(tmp_path, process("stubborn", STUBBORN))
    assert soon(lambda: (tmp_path / "pids").exists() and len((tmp_path / "pids").read_text().split()) == 2)
    pids = [int(word) for word in (tmp_path / "pids").read_text().split()]
    assert all(is_alive(pid) for pid in pids)
    running.shut_down()
    assert soon(lambda: not any(is_alive(pid) for pid in pids))


def test_a_process_that_keeps_ending_is_started_again_and_then_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(supervisor, "RESTART_PAUSE", 0.0)
    running = start(tmp_path, process("brief", "open('runs', 'a').write('x'); print('hello')"))
    running.watch()  # returns: the process was given up
    assert len((tmp_path / "runs").read_text()) == supervisor.MAX_RESTARTS + 1
    running.shut_down()
    assert "brief | hello" in capfd.readouterr().out


def test_one_that_ended_once_does_its_work_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "RESTART_PAUSE", 0.0)
    code = (
        "import os, sys, time; first = not os.path.exists('was'); open('was', 'w'); first or time.sleep(600)"
    )
    running = start(tmp_path, process("once", code))
    (child,) = running.children
    assert soon(child.has_ended)
    assert running.has_lost_one()
    assert running._keep(child)
    time.sleep(0.3)
    assert not child.has_ended()
    running.shut_down()
    assert child.has_ended()


def test_processes_get_their_own_variables_and_this_interpreter(tmp_path: Path) -> None:
    code = "import os; open('seen', 'w').write(os.environ['OWN'])"
    own = Process("own", ("python", "-c", code), health=(), environment={"OWN": "value"})
    running = start(tmp_path, own)
    assert soon(running.has_lost_one)
    assert (tmp_path / "seen").read_text() == "value"
    assert with_this_python(("python", "x")) == [sys.executable, "x"]
    running.shut_down()
