"""For tests of reminders: plan lines as a refresh would leave them, and a carrier that keeps what it is
given.

The clock stands at 2026-03-18, 15:00 UTC: nine in the morning in Denver, where the patients live.
"""

from collections.abc import Callable, Iterable
from datetime import date, timedelta
from typing import Any

from resupply.models import Patient, PlanLine
from resupply.rules.sending import Answer, Letter, Note, Outcome
from tests.builders import NOW, TODAY, make_consent, make_patient

__all__ = ["NOW", "TODAY", "KeepingCarrier", "make_due_patient", "make_plan_line"]


def make_plan_line(patient: Patient, **over: Any) -> PlanLine:
    """A line whose supply ends today: `ends` (days from today) moves all its dates; asked 30 days before."""
    ends: date = TODAY + timedelta(days=over.pop("ends", 0))
    values: dict[str, Any] = {
        "location": patient.location,
        "active": True,
        "kind": "cushion",
        "part_code": "A7032",
        "spares": 0,
        "supply_ends_on": ends,
        "refill_on": ends,
        "ask_from": ends - timedelta(days=30),
        "deliver_from": ends - timedelta(days=10),
        "delivery_lead": 10,
        "target_units": 3,
    }
    return PlanLine.objects.create(patient=patient, **values | over)


def make_due_patient(*, consent: bool = True, line: dict[str, Any] | None = None, **over: Any) -> Patient:
    """A patient with an address, a yes to e-mail and one line that is due today."""
    patient = make_patient(**{"email": "patient@patients.example"} | over)
    if consent:
        make_consent(patient)
    make_plan_line(patient, **line or {})
    return patient


class KeepingCarrier:
    """Keeps the letters it takes; `answers` are given in turn, then everything is accepted."""

    def __init__(
        self, answers: Iterable[Answer] = (), *, on_send: Callable[[Letter], None] | None = None
    ) -> None:
        self.letters: list[Letter] = []
        self.tried = 0
        self.opened = self.closed = 0
        self._answers = iter(answers)
        self._on_send = on_send

    def __call__(self) -> "KeepingCarrier":
        """Serve as its own `open_carrier`."""
        self.opened += 1
        return self

    def compose(self, note: Note) -> Letter:
        return Letter(
            note.key, note.address, note.language, note.step, f"Hello {note.given_name}", "<p>Hello</p>"
        )

    def send(self, letter: Letter) -> Answer:
        self.tried += 1
        if self._on_send:
            self._on_send(letter)
        answer = next(self._answers, Answer(Outcome.ACCEPTED))
        if answer.outcome is Outcome.ACCEPTED:
            self.letters.append(letter)
        return answer

    def close(self) -> None:
        self.closed += 1
