"""The processes of the clinic on a test stand: started as in production, ended, killed, frozen, restarted."""

import contextlib
import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import redis
from django.db import Error, connection
from django.urls import reverse

from clinic import processes, servers
from clinic.processes import Process
from clinic.supervisor import say
from resupply import clock
from resupply.models import Heartbeat
from tests.faults.office import Office, quiet_port, wait_until
from tests.faults.visitors import Visitors, done_by
from tests.faults.wire import Wire
from tests.services.post_office import process_environment, start

RESTART_PAUSE = 1.0  # as the supervisor's
LEASE, MAIL_TIME, NO_BEAT, HEARTBEAT, HOUR = 120.0, 20.0, 600.0, 15.0, 3600.0
"""Seconds in production, before they are divided."""


@dataclass
class Running:
    """A process that is to run; the keeper starts it again when it ends."""

    process: Process
    popen: "subprocess.Popen[bytes]"
    is_wanted: bool = True

    def signal(self, number: int) -> None:
        """To the process and everything it started."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.popen.pid, number)


class Stand:
    """Workers and schedulers on this process's database, with a queue and a mail server of their own."""

    def __init__(self, folder: Path, office: Office, *, divisor: float) -> None:
        self.folder, self.office, self.divisor = folder, office, divisor
        (folder / "armed").mkdir(parents=True, exist_ok=True)
        for name in ("passed", "struck"):
            (folder / name).touch()
        self._redis_folder = folder / "redis"
        self._redis_port = quiet_port()
        servers.start_redis(self._redis_folder, port=self._redis_port)
        self.wire = Wire(self._redis_port)
        self.running: list[Running] = []
        self._is_over = threading.Event()
        self._keeper = threading.Thread(target=self._keep, daemon=True)
        self._keeper.start()

    def scaled(self, seconds: float) -> float:
        """So many seconds of production, on this stand."""
        return seconds / self.divisor

    # --- processes
    @property
    def workers(self) -> list[Running]:
        """Those that run or are started again."""
        return [one for one in self.running if one.process is processes.WORKER]

    @property
    def beats(self) -> list[Running]:
        """Schedulers."""
        return [one for one in self.running if one.process is processes.BEAT]

    def have(self, *, workers: int, beats: int) -> None:
        """Start or end processes until there are so many; return when a heartbeat arrives."""
        for have, wanted, begin in (
            (self.workers, workers, self.start_worker),
            (self.beats, beats, self.start_beat),
        ):
            for one in have[wanted:]:
                self.end(one)
            for _ in range(wanted - len(have)):
                begin()
        self.heartbeat_returns()

    def start_worker(self) -> Running:
        """One more worker."""
        return self._start(processes.WORKER)

    def start_beat(self) -> Running:
        """One more scheduler."""
        return self._start(processes.BEAT)

    def end(self, one: Running, number: int = signal.SIGTERM) -> None:
        """End a process for good and wait for it; what does not go is killed."""
        one.is_wanted = False
        one.popen.send_signal(number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            one.popen.wait(timeout=30)
        one.signal(signal.SIGKILL)
        one.popen.wait()
        self.running.remove(one)

    def end_all(self) -> None:
        """End all processes without ceremony."""
        for one in list(self.running):
            self.end(one, signal.SIGKILL)

    def close(self) -> None:
        """End everything, the servers of the stand too."""
        self._is_over.set()
        self._keeper.join()
        self.end_all()
        self.wire.close()
        servers.stop_redis(self._redis_folder)

    def _start(self, process: Process) -> Running:
        one = Running(process, self._popen(process))
        self.running.append(one)
        return one

    def _popen(self, process: Process) -> "subprocess.Popen[bytes]":
        assert process.command[:3] == ("python", "-m", "celery")
        words = (
            "python",
            "-m",
            "tests.faults.entry",
            str(self.folder),
            str(self.divisor),
            *process.command[3:],
        )
        shared = process_environment(
            folder=self.folder, email_url=self.office.url, redis_url=f"redis://127.0.0.1:{self.wire.port}/0"
        )
        return start(
            words, shared | process.environment | {"SWEEP_SECONDS": "60"}, self.folder / f"{process.name}.log"
        )

    def _keep(self) -> None:
        """Start again what ended, as the supervisor of `make run` or the one of the containers does."""
        while not self._is_over.wait(0.2):
            for one in list(self.running):
                if one.is_wanted and one.popen.poll() is not None:
                    one.signal(signal.SIGKILL)
                    time.sleep(RESTART_PAUSE)
                    if one.is_wanted:
                        one.popen = self._popen(one.process)

    # --- the web
    @contextlib.contextmanager
    def visited(self) -> Iterator[Visitors]:
        """A web server, and people who keep asking its first page; both end with the block."""
        self.webs = [self._web()]
        visitors = Visitors([self.webs[0][1]], reverse("login"))
        try:
            wait_until(lambda: visitors.told.answered, "the web is up", seconds=240)
            visitors.told.nobody = 0  # until then there was nobody
            yield visitors
        finally:
            visitors.leave()
            for web, _ in self.webs:
                web.terminate()
                web.wait(timeout=60)

    def next_web(self, visitors: Visitors) -> None:
        """Start another web server beside the one that runs; once it is ready, tell the old one to end."""
        old, _ = self.webs[-1]
        web, port = self._web()
        self.webs.append((web, port))
        wait_until(lambda: _is_ready(port), "the next web is ready", seconds=240)
        visitors.ports.append(port)
        visitors.have(20)
        old.send_signal(signal.SIGTERM)
        assert old.wait(timeout=60) == 0
        visitors.ports.pop(0)

    def of_visitors(self, visitors: Visitors) -> list[str]:
        """What must not have happened to people who asked pages."""
        told, done = visitors.told, done_by(self.folder / "web.log")
        found = [f"{len(told.wrong)} pages were not what was asked for"] if told.wrong else []
        if lost := done - set(told.answered):
            found.append(f"{len(lost)} pages were made and never arrived")
        if told.nobody:
            found.append(f"{told.nobody} times no web server answered")
        say(
            f"overlap: {len(told.answered)} pages answered, {len(told.broken)} asked again, slowest"
            f" {told.slowest:.1f} s"
        )
        return found

    def _web(self) -> "tuple[subprocess.Popen[bytes], int]":
        port = quiet_port()
        shared = process_environment(
            folder=self.folder, email_url=self.office.url, redis_url=f"redis://127.0.0.1:{self.wire.port}/0"
        )
        own = {"GRANIAN_PORT": str(port), "GRANIAN_HOST": "127.0.0.1", "STATIC_FROM_SOURCE": "1"}
        own |= {"LOG_LEVEL": "INFO", "LOG_FORMAT": "json"}
        words = shared | processes.WEB.environment | own
        return start(processes.WEB.command, words, self.folder / "web.log"), port

    # --- the clock
    def set_clock_back(self, seconds: float) -> None:
        """In every process, and in this one."""
        (self.folder / "clock").write_text(str(seconds))
        real = clock.now
        clock.now = lambda: real() - timedelta(seconds=seconds)

    # --- points
    def arm(self, point: str, how: str) -> None:
        """Let the next process that passes the point be struck."""
        file = self.folder / "arming"
        file.write_text(how)
        file.rename(self.folder / "armed" / point)

    def rows(self, name: str) -> list[dict[str, Any]]:
        """What is noted in `passed` or `struck`."""
        return [json.loads(line) for line in (self.folder / name).read_text().splitlines()]

    def strike(self, point: str, how: str) -> dict[str, Any]:
        """Arm a point, and wait until somebody was struck there; return by whom and with which message."""
        known = len(self.rows("struck"))
        self.arm(point, how)
        wait_until(lambda: len(self.rows("struck")) > known, f"somebody passes {point!r}", seconds=90)
        return self.rows("struck")[-1]

    def wake(self, struck: dict[str, Any]) -> None:
        """Let a frozen worker go on: first the process that was at the point, until it was refused something
        (or has nothing more to do), then its parent, which may find that its time is over and end it.
        """
        woken = time.time()
        with contextlib.suppress(ProcessLookupError):
            os.kill(struck["pid"], signal.SIGCONT)
            with contextlib.suppress(AssertionError):
                wait_until(lambda: self.refused(struck, since=woken), "a refusal", seconds=3)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(struck["group"], signal.SIGCONT)

    def refused(self, struck: dict[str, Any], *, since: float) -> list[str]:
        """The steps that a woken process was refused."""
        rows = [row for row in self.rows("passed") if row["pid"] == struck["pid"] and row["at"] >= since]
        return [row["point"] for row in rows if row["point"].endswith(" refused")]

    # --- the queue
    def flush(self) -> None:
        """FLUSHALL."""
        with redis.Redis(port=self._redis_port) as broker:
            broker.flushall()

    def kill_redis(self) -> None:
        """SIGKILL; nothing of it is kept."""
        pid = int((self._redis_folder / "server.pid").read_text())
        os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not _lives(pid), "the queue is dead")

    def start_redis(self) -> None:
        """A new, empty one at the same address; another program may have that port for a moment."""
        for _ in range(5):
            with contextlib.suppress(OSError):
                servers.start_redis(self._redis_folder, port=self._redis_port)
                return
        raise AssertionError("the queue does not come back")

    # --- health
    def heartbeat_returns(self, *, seconds: float = 120) -> float:
        """Wait for a beat sent from now on to arrive; return the seconds it took."""
        since = clock.now()

        def has_come() -> bool:
            try:
                return Heartbeat.objects.filter(beat_at__gt=since).exists()
            except Error:  # the database is not back yet
                connection.close()
                return False

        return wait_until(has_come, "a heartbeat arrives", seconds=seconds)


def _is_ready(port: int) -> bool:
    """What a proxy asks before it sends people there."""
    line = HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        line.request("GET", "/readyz/web")
        return line.getresponse().status == 200
    except OSError:
        return False
    finally:
        line.close()


def _lives(pid: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except FileNotFoundError:
        return False
