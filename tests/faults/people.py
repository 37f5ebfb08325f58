"""Who is due and who is not: patients with their plans, committed in waves while faults strike.

Plans are written as rows, not worked out from dispenses: the fault test is about sending. An address tells
what its patient is (`due-...`, `silent-...`), so that what happened can be reckoned from the database and the
mail server alone, whatever the generator was told about its commits.
"""

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from random import Random
from typing import Any
from zlib import crc32

from django.db import Error, IntegrityError, connection, transaction

from resupply import clock
from resupply.models import Channel, Consent, Patient, PatientStatus, PlanLine
from resupply.services import optouts
from tests.builders import make_location
from tests.services.post_office import dispense, zone_where_it_is_noon

REMINDED = ("due", "unknown", "stops", "given")
"""Kinds that are due when they are committed: an address no server knows, one who withdraws consent in
between, one who gets the parts in between."""
NEVER = ("silent", "refused", "later", "paused", "ended")
"""Kinds nobody may write to: no consent, consent withdrawn, not due, in a pause, off therapy."""
_STEPS = (20, 0, -10, -40)  # days to the end of supply: asked, due, and both steps of overdue


@dataclass
class Crowd:
    """The patients of one scenario. `stopped` and `served`: since when (UNIX seconds) an address was to hear
    nothing more."""

    name: str
    random: Random
    stopped: dict[str, float] = field(default_factory=dict)
    served: dict[str, float] = field(default_factory=dict)
    _number: int = 0
    _to_turn: list[tuple[str, str]] = field(default_factory=list)
    _kinds: Counter[str] = field(default_factory=Counter)

    @cached_property
    def mark(self) -> str:
        """What stands for the name in references and addresses: these have less room."""
        return f"{crc32(self.name.encode()):08x}"

    def counted(self, kind: str) -> int:
        """How many of a kind were committed."""
        return self._kinds[kind]

    def kinds(self, reminders: int) -> list[str]:
        """So many who are due, with a third as many who are not, in a random order."""
        special = [kind for kind in REMINDED[1:] for _ in range(max(1, reminders // 25))]
        never = [kind for kind in NEVER for _ in range(max(1, reminders // 15))]
        kinds = [*special, *never, *["due"] * max(0, reminders - len(special))]
        self.random.shuffle(kinds)
        return kinds

    def commit(self, kinds: list[str]) -> None:
        """Write patients in one transaction; then something happens to some of these and of earlier ones."""
        numbers = range(self._number, self._number + len(kinds))
        self._number += len(kinds)
        some = list(zip(kinds, numbers, strict=True))
        _persist(lambda: self._write(some))
        self._kinds.update(kinds)
        self._to_turn += [
            (kind, self._address(kind, number)) for kind, number in some if kind in {"stops", "given"}
        ]
        self.turn(share=0.4)

    def turn(self, *, share: float = 1.0) -> None:
        """Let some of those whom something happens to in between have it happen now."""
        now, later = [], []
        for one in self._to_turn:
            (now if self.random.random() < share else later).append(one)
        self._to_turn = later
        for kind, address in now:
            self._turn(kind, address)

    def patients(self) -> dict[str, Patient]:
        """Those that are in the database, by address."""
        return {one.email: one for one in Patient.objects.filter(reference__contains=f"-{self.mark}-")}

    def _address(self, kind: str, number: int) -> str:
        return f"{kind}-{self.mark}-{number}@patients.example"

    def _write(self, some: list[tuple[str, int]]) -> None:
        now = clock.now()
        zone = zone_where_it_is_noon(now)
        with transaction.atomic():
            place = make_location(name=f"Room {self.name} {some[0][1]}", time_zone=zone)
            patients = Patient.objects.bulk_create(
                Patient(
                    reference=_reference(self._address(kind, number)),
                    given_name="Test",
                    family_name=f"Person{number}",
                    birth_date=date(1961, 2, 4),
                    email=self._address(kind, number),
                    time_zone=zone,
                    location=place,
                    status=PatientStatus.ENDED if kind == "ended" else PatientStatus.ON_THERAPY,
                )
                for kind, number in some
            )
            people = list(zip(patients, (kind for kind, _ in some), strict=True))
            Consent.objects.bulk_create(
                _consent(patient, granted=granted)
                for patient, kind in people
                for granted in {"silent": [], "refused": [True, False]}.get(kind, [True])
            )
            PlanLine.objects.bulk_create(self._line(patient, kind, now.date()) for patient, kind in people)

    def _line(self, patient: Patient, kind: str, today: date) -> PlanLine:
        ends = today + timedelta(days=90 if kind == "later" else self.random.choice(_STEPS))
        return PlanLine(
            patient=patient,
            location=patient.location,
            active=kind != "ended",
            kind="cushion",
            part_code="A7032",
            spares=0,
            supply_ends_on=ends,
            refill_on=ends,
            ask_from=ends - timedelta(days=30),
            deliver_from=ends - timedelta(days=10),
            delivery_lead=10,
            target_units=3,
            paused_from=today - timedelta(days=5) if kind == "paused" else None,
        )

    def _turn(self, kind: str, address: str) -> None:
        """What happens in between, as a member of staff would record it."""
        now = clock.now()
        patient = _persist(lambda: Patient.objects.get(reference=_reference(address)))
        if kind == "stops":
            _persist(lambda: stop(patient, now=now))
            self.stopped[address] = time.time()
        else:
            _persist(lambda: dispense(patient, now=now, on=now, quantity=2))
            self.served[address] = time.time()


def stop(patient: Patient, *, now: Any) -> None:
    """The patient wants no more messages."""
    optouts.stop(patient, channel=Channel.MAIL, how="at the desk", by=None, now=now)


def _consent(patient: Patient, *, granted: bool) -> Consent:
    return Consent(
        patient=patient, channel=Channel.MAIL, granted=granted, given_on=date(2025, 1, 2), how="at the desk"
    )


def _reference(address: str) -> str:
    """The number of the patient with an address: addresses are encrypted, and nothing is found by them."""
    return address.partition("@")[0]


def _persist(work: Callable[[], Any], *, seconds: float = 60) -> Any:
    """Do it as people do whose server is away for a moment: again, until it is done."""
    deadline = time.monotonic() + seconds
    while True:
        try:
            return work()
        except IntegrityError:
            return None  # the attempt before was committed, and the answer lost
        except Error:
            if time.monotonic() > deadline:
                raise
            connection.close()
            time.sleep(0.1)
