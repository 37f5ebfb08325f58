"""Faults of the database while people work at the desk: killed, full, and changed under their hands.

Each trial says what it counted, and gives back what must not be. They work on the private database of
`python -m tests.faults`, and on one of their own where it is to be full.
"""

import contextlib
import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from uuid import UUID, uuid4

from django.db import Error, connection, connections
from django.test import Client
from django.urls import reverse

from clinic import servers
from clinic.supervisor import say
from resupply import clock
from resupply.models import CatalogueItem, Dispense, Patient, PlanLine, Role, StockMovement
from resupply.services import dispensing, plans
from resupply.services.dispensing import NewLine
from tests import builders
from tests.faults.breaking import _quit as quit_database


@dataclass(frozen=True)
class Trial:
    """`run` breaks something in a folder and returns what must not be."""

    name: str
    run: Callable[[Path, Random], list[str]]


def dispense(patient: Patient, item: CatalogueItem, form_key: UUID) -> Dispense:
    """Two lines, one of them from the shelf."""
    now, why = clock.now(), "the last ones tore"
    cushion = NewLine(part_code="A7032", item=item, quantity=1, exception_reason=why)
    tube = NewLine(part_code="A7037", quantity=1, exception_reason=why)
    return dispensing.record_dispense(
        patient=patient, location=patient.location, dispensed_on=now.date(), lines=[cushion, tube], by=None,
        now=now, form_key=form_key, allow_short=True,
    )  # fmt: skip


class Desk:
    """People who dispense one after the other; each sends a form again until the answer comes."""

    def __init__(self, people: int) -> None:
        self.item = builders.make_item(kind="cushion", part_code="A7032", name=f"Cushion {uuid4()}")
        self.place = builders.make_location(name=f"Room {uuid4()}", tracks_stock=True, time_zone="UTC")
        builders.make_movement(self.item, self.place, quantity=1_000_000, on=clock.now().date())
        self.answered: set[UUID] = set()
        self.sent: set[UUID] = set()
        self.refused = 0
        self._over = threading.Event()
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(people)]

    def __enter__(self) -> "Desk":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *what: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join()

    def _work(self) -> None:
        while not self._over.is_set():
            with contextlib.suppress(Error):
                patient = builders.make_patient(location=self.place)
                for _ in range(5):
                    self._send(patient, uuid4())
            connection.close()
            time.sleep(0.05)

    def _send(self, patient: Patient, form_key: UUID) -> None:
        self.sent.add(form_key)
        while form_key not in self.answered:
            try:
                dispense(patient, self.item, form_key)
                self.answered.add(form_key)
            except Error:
                self.refused += 1
                connection.close()
                if self._over.is_set():
                    return
                time.sleep(0.05)

    def reckon(self) -> list[str]:
        """Everything that was answered, once and whole; what was not, once and whole or not at all."""
        rows = Dispense.objects.filter(location=self.place)
        keys = list(rows.values_list("form_key", flat=True))
        out = -sum(
            StockMovement.objects.filter(location=self.place, movement="dispensed").values_list(
                "quantity", flat=True
            )
        )
        found = (
            [f"{len(gone)} acknowledged dispenses are gone"] if (gone := self.answered - set(keys)) else []
        )
        if len(keys) != len(set(keys)):
            found.append("a form was written twice")
        if odd := [row.pk for row in rows.prefetch_related("lines") if len(row.lines.all()) != 2]:
            found.append(f"{len(odd)} dispenses with half their lines")
        if out != len(keys):
            found.append(f"{len(keys)} dispenses and {out} units taken off the shelf")
        if (changes := _count("dispensechange", self.place.pk)) != len(keys):
            found.append(f"{len(keys)} dispenses and {changes} rows of their history")
        return found + self._plans()

    def _plans(self) -> list[str]:
        """Plans are as they are worked out anew."""
        patients = list(Patient.objects.filter(location=self.place).values_list("pk", flat=True))
        lines = PlanLine.objects.filter(patient__in=patients).order_by("patient", "kind")
        before = list(lines.values_list("patient", "kind", "spares", "supply_ends_on"))
        plans.refresh_plans(patients, now=clock.now())
        after = list(lines.values_list("patient", "kind", "spares", "supply_ends_on"))
        return [] if before == after else ["plans differ from what the records say"]


def _count(table: str, location: int) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM resupply_{table} WHERE location_id = %s", [location])  # noqa: S608
        return int(cursor.fetchone()[0])


def killed_amid_dispenses(folder: Path, random: Random) -> list[str]:
    """SIGQUIT to the database, eight times, while four people dispense."""
    with Desk(people=4) as desk:
        for _ in range(8):
            known, moment = len(desk.answered), time.monotonic()
            while len(desk.answered) < known + 20 and time.monotonic() < moment + 30:
                time.sleep(0.02)
            time.sleep(random.uniform(0, 0.3))
            quit_database(folder / "postgres")
            connection.close()
            servers.start_postgres(folder / "postgres")
        time.sleep(1)
    connection.close()
    found = desk.reckon()
    say(
        f"database killed amid dispenses: 8 times, {len(desk.answered)} of {len(desk.sent)} forms answered,"
        f" {desk.refused} answers lost or refused, {len(found)} problems"
    )
    return [f"database killed amid dispenses: {what}" for what in found]


# --- no room left

ROOM_MB = 420


@contextlib.contextmanager
def small_database(folder: Path) -> Iterator[tuple[Path, str]]:
    """A database on a disk of its own (a tmpfs of ROOM_MB); Django works on it meanwhile."""
    small = folder / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={ROOM_MB}m", "tmpfs", str(small)], check=True)
    from tests import prepared

    mine = connections["default"].settings_dict["HOST"]
    try:
        small.chmod(0o755)
        prepared.start(small / "postgres")
        connection.close()
        connections["default"].settings_dict["HOST"] = str(small / "postgres")
        yield small, "ready"
    finally:
        connection.close()
        connections["default"].settings_dict["HOST"] = mine
        servers.stop_postgres(small / "postgres")
        subprocess.run(["umount", "--lazy", str(small)], check=True)


def disk_full(folder: Path, random: Random) -> list[str]:
    """The disk of the database fills up while people dispense, and is given room again; twice."""
    if os.geteuid() != 0:
        say("disk full: left out, a disk of its own takes root")
        return []
    found: list[str] = []
    with small_database(folder) as (small, _), Desk(people=2) as desk:
        patient, client = builders.make_patient(), Client(False, raise_request_exception=False)
        client.defaults["SERVER_NAME"] = "127.0.0.1"
        client.force_login(builders.make_staff(Role.MANAGER).user)
        for _ in range(2):
            _wait(lambda: len(desk.answered) >= 10, "dispenses are answered")
            _fill(small)
            known = desk.refused
            _wait(lambda known=known: desk.refused > known + 3, "a dispense is refused")
            found += _page(client, patient)
            (small / "ballast").unlink()
            connection.close()
            servers.start_postgres(small / "postgres")  # where it ended for lack of room
            answered = len(desk.answered)
            _wait(lambda answered=answered: len(desk.answered) > answered + 10, "it recovers")
        desk.__exit__()
        connection.close()
        found += desk.reckon()
    say(
        f"disk full: twice, {len(desk.answered)} of {len(desk.sent)} forms answered, {desk.refused} refused,"
        f" {len(found)} problems"
    )
    return [f"disk full: {what}" for what in found]


def _fill(small: Path) -> None:
    """Leave no byte."""
    with (small / "ballast").open("ab", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(64 * 1024))
    with (small / "ballast").open("ab", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(512))


def _page(client: Client, patient: Patient) -> list[str]:
    """What somebody sees who wants to save something now: a page that says what is the matter."""
    connection.close()
    with contextlib.suppress(Error):
        Patient.objects.count()  # the first answer after a crash is one about the connection
    form = {"family_name": "Newname", "given_name": "Test", "birth_date": "1961-02-04"}
    answer = client.post(reverse("desk:edit", args=[patient.public_id]), form)
    said = answer.content.decode()
    connection.close()
    if answer.status_code == 503 and "cannot be reached just now" in said:
        return []
    return [f"no clear page ({answer.status_code})"]


def _wait(holds: Callable[[], bool], what: str, *, seconds: float = 90) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"not within {seconds:.0f} seconds: {what}"
        time.sleep(0.05)


# --- a large table changes

ROWS = 6_000_000
LONGEST_S = 1.0


def six_million_rows(folder: Path, random: Random) -> list[str]:
    """The steps a migration may take, on six million rows, while somebody writes to them all the time."""
    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE TABLE large AS SELECT n AS id, mod(n, 1000) AS kind, 'a row of some length ' || n AS what"
            " FROM generate_series(1, %s) AS n",
            [ROWS],
        )
        cursor.execute("ALTER TABLE large ADD PRIMARY KEY (id)")
    steps = {
        "optional column": "ALTER TABLE large ADD COLUMN a integer",
        "column with a default": "ALTER TABLE large ADD COLUMN b boolean NOT NULL DEFAULT false",
        "longer text": "ALTER TABLE large ALTER COLUMN what TYPE text",
        "index beside the work": "CREATE INDEX CONCURRENTLY large_by_kind ON large (kind)",
        "constraint, not valid": "ALTER TABLE large ADD CONSTRAINT c CHECK (kind >= 0) NOT VALID",
        "constraint validated": "ALTER TABLE large VALIDATE CONSTRAINT c",
        "index dropped": "DROP INDEX CONCURRENTLY large_by_kind",
    }
    found = []
    for name, step in steps.items():
        longest, took = _while_writing(step)
        say(f"six million rows: {name}: {took:.2f} s, longest wait of a write {longest * 1000:.0f} ms")
        if longest > LONGEST_S:
            found.append(f"six million rows: {name}: a write waited {longest:.1f} s")
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE large")
    return found


def _while_writing(step: str) -> tuple[float, float]:
    """Do a step; the longest wait of a write meanwhile, and how long the step took, in seconds."""
    over, waits = threading.Event(), [0.0]

    def write() -> None:
        with connection.cursor() as cursor:
            while not over.is_set():
                began = time.monotonic()
                cursor.execute("UPDATE large SET kind = kind WHERE id = %s", [1 + len(waits) % 1000])
                waits.append(time.monotonic() - began)
        connection.close()

    thread = threading.Thread(target=write)
    thread.start()
    time.sleep(0.3)
    began = time.monotonic()
    with connection.cursor() as cursor:
        cursor.execute(step)
    took = time.monotonic() - began
    over.set()
    thread.join()
    return max(waits), took


TRIALS = (
    Trial("database killed amid dispenses", killed_amid_dispenses),
    Trial("disk full", disk_full),
    Trial("migrations at six million rows", six_million_rows),
)
