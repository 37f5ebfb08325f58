"""Faults: each method breaks something while reminders are sent, and mends it again."""

import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

from django.db import connection

from clinic import servers
from resupply.models import Message
from tests.faults.entry import POINTS
from tests.faults.office import MOODS, wait_until
from tests.faults.stand import HOUR, LEASE, NO_BEAT, Stand


class Breaking:
    """Breaks things on a stand while `writer` commits. `heartbeats`: seconds from the end of each fault to
    the next heartbeat.
    """

    database_folder: Path | None = None
    """Where the database lies that may be broken; None: it is shared, and is not."""

    def __init__(self, stand: Stand, random: Random, writer: threading.Thread) -> None:
        self.stand, self.random, self.writer = stand, random, writer
        self.heartbeats: list[float] = []
        self.problems: list[str] = []
        self._finished: dict[int, dict[str, Any]] = {}

    def clear(self) -> None:
        """After the last fault: nothing stays armed, and a heartbeat comes through."""
        for point in POINTS:
            (self.stand.folder / "armed" / point).unlink(missing_ok=True)
        self.stand.office.feels("takes")

    # --- workers
    def kill_at(self, *, point: str, how: str) -> None:
        """Kill a process at a point, three times."""
        for _ in range(3):
            self.stand.strike(point, how)
            self._beats()
            self._rest()

    def freeze_at(self, *, point: str) -> None:
        """Freeze a worker at a point until its lease is over and others have sent what it held; wake it."""
        struck = self.stand.strike(point, "freeze")
        time.sleep(self.stand.scaled(LEASE) * 1.1)
        self._beats()  # the other worker does its part meanwhile
        self._note_finished()
        self.stand.wake(struck)

    def terminate(self) -> None:
        """SIGTERM to a worker under load, as every deployment of a new version does it; three times."""
        self.stand.office.feels("unhurried")
        for _ in range(3):
            self._while_sending()
            worker = self.random.choice(self.stand.workers)
            worker.popen.send_signal(signal.SIGTERM)
            worker.popen.wait(timeout=60)
            self._beats()

    def no_beat(self) -> None:
        """No scheduler for ten minutes (divided)."""
        self.stand.end(self.stand.beats[0])
        time.sleep(self.stand.scaled(NO_BEAT))
        self.stand.start_beat()
        self._beats()

    # --- the queue
    def flush(self) -> None:
        """FLUSHALL at thirty random moments."""
        for _ in range(30):
            time.sleep(self.random.uniform(0, self.stand.scaled(8)))
            self.stand.flush()
        self._beats()

    def kill_redis(self) -> None:
        """The queue dies, and comes back empty a while later; twice."""
        for _ in range(2):
            self.stand.kill_redis()
            time.sleep(self.random.uniform(0.5, self.stand.scaled(40)))
            self.stand.start_redis()
            self._beats()
            self._rest()

    def no_queue(self) -> None:
        """No queue for an hour (divided); then an empty one."""
        self.stand.kill_redis()
        time.sleep(self.stand.scaled(HOUR))
        self.stand.start_redis()
        self._beats()

    def half_open(self) -> None:
        """The line to the queue takes everything and answers nothing, for a minute (divided)."""
        self.stand.wire.half_open()
        time.sleep(self.stand.scaled(60))
        self.stand.wire.mend()
        self._beats()

    # --- the database
    def restart_database(self) -> None:
        """Stop and start the database, twice."""
        for _ in range(2):
            self._break_database(lambda folder: servers.stop_postgres(folder))
            self._rest()

    def kill_database(self) -> None:
        """SIGQUIT to the database: it ends at once, and recovers from its log at the start; twice."""
        for _ in range(2):
            self._break_database(_quit)
            self._rest()

    def _break_database(self, how: Callable[[Path], None]) -> None:
        assert self.database_folder is not None
        how(self.database_folder)
        connection.close()
        time.sleep(self.random.uniform(0, 1))
        servers.start_postgres(self.database_folder)
        self._beats()

    # --- the clock
    def clock_back(self) -> None:
        """The clocks of all processes step back an hour (divided); it is lived through a second time."""
        self._while_sending()
        self.stand.set_clock_back(self.stand.scaled(HOUR))
        self.writer.join()
        time.sleep(self.stand.scaled(HOUR))
        self._beats()

    # --- a new version
    def overlap(self) -> None:
        """A new version beside the old one: its migrations run, its processes start, the old ones are told to
        end; twice. People keep asking pages meanwhile.
        """
        with self.stand.visited() as visitors:
            for _ in range(2):
                old = [*self.stand.running]
                self._while_sending()
                visitors.have(50)
                _migrate()
                for begin in (self.stand.start_worker, self.stand.start_worker, self.stand.start_beat):
                    begin()
                self.stand.next_web(visitors)
                time.sleep(self.stand.scaled(60))  # both are at it
                for one in old:
                    self.stand.end(one)
                self._beats()
        self.problems += self.stand.of_visitors(visitors)

    # --- mail
    def shut_office(self) -> None:
        """The mail server refuses connections for a minute (divided), and cuts those that stand."""
        self._while_sending()
        self.stand.office.shut()
        time.sleep(self.stand.scaled(60))
        self.stand.office.open()
        self._beats()

    def mood(self, *, mood: str, share: float = 1.0) -> None:
        """A mood of the mail server, while reminders are committed and for two minutes (divided) more."""
        self.stand.office.feels(mood, share)
        self.writer.join()
        time.sleep(self.stand.scaled(120))
        self.stand.office.feels("takes")
        self._beats()

    # --- all of it
    def storm(self) -> None:
        """Twenty faults of all kinds, drawn at random, at random moments."""
        for _ in range(20):
            self.random.choice(self._single())()
            time.sleep(self.random.uniform(0, 1.5))

    def _single(self) -> list[Callable[[], object]]:
        faults: list[Callable[[], object]] = [
            lambda: self.stand.arm(
                self.random.choice(list(POINTS)), self.random.choice(["kill child", "kill worker"])
            ),
            lambda: self.random.choice(self.stand.workers).signal(signal.SIGKILL),
            self.stand.flush,
            self.kill_redis,
            self.half_open,
            lambda: self.stand.office.feels(self.random.choice(["takes", *MOODS]), 0.2),
            self.shut_office,
        ]
        if self.database_folder is not None:
            faults.append(self.restart_database)
        if self.writer.is_alive():  # later nobody may pass a point any more
            faults.append(lambda: self.freeze_at(point=self.random.choice(list(POINTS))))
        return faults

    # --- what it left
    def overwritten(self) -> list[str]:
        """Rows that were finished before a frozen worker woke, and are another now."""
        now = {row["id"]: row for row in _finished(list(self._finished))}
        return [
            f"overwritten after waking: {now.get(key)}"
            for key, row in self._finished.items()
            if now.get(key) != row
        ]

    def _note_finished(self) -> None:
        self._finished |= {row["id"]: row for row in _finished(None)}

    def _while_sending(self) -> None:
        sent = len(self.stand.office.taken)
        wait_until(
            lambda: len(self.stand.office.taken) > sent or not self.writer.is_alive(), "mails are being sent"
        )

    def _beats(self) -> None:
        self.heartbeats.append(self.stand.heartbeat_returns())

    def _rest(self) -> None:
        time.sleep(self.random.uniform(0, self.stand.scaled(20)))


def _finished(keys: list[int] | None) -> list[dict[str, Any]]:
    rows = Message.objects.filter(finished_at__isnull=False)
    if keys is not None:
        rows = rows.filter(pk__in=keys)
    fields = ("id", "state", "fence", "attempts", "is_unsure", "finished_at", "last_error")
    return list(rows.values(*fields))


def _migrate() -> None:
    """The steps that docs/operating.md allows, on the tables that everybody writes to."""
    name = f"later_{time.monotonic_ns()}"
    with connection.cursor() as cursor:
        cursor.execute("SET lock_timeout = '5s'")
        for table in ("resupply_message", "resupply_patient"):
            cursor.execute(f"ALTER TABLE {table} ADD COLUMN {name} integer")
            cursor.execute(f"CREATE INDEX CONCURRENTLY {table}_{name} ON {table} ({name})")
            check = f"{table}_{name}_check"
            cursor.execute(f"ALTER TABLE {table} ADD CONSTRAINT {check} CHECK ({name} > 0) NOT VALID")
            cursor.execute(f"ALTER TABLE {table} VALIDATE CONSTRAINT {check}")
        cursor.execute("RESET lock_timeout")


def _quit(folder: Path) -> None:
    pid = int((folder / "postmaster.pid").read_text().splitlines()[0])
    os.kill(pid, signal.SIGQUIT)
    wait_until(lambda: not Path(f"/proc/{pid}").exists(), "the database is dead")
