"""For tests of refill questions: a sweep, a carrier that keeps the links, and an answer by one."""

from datetime import datetime
from typing import Any

from resupply.models import (
    Patient,
    RefillQuestion,
)
from resupply.rules.sending import Letter, Note
from resupply.services import outbox, questions, reminders
from resupply.services.answer_items import NewItem
from tests.services.sending import NOW, KeepingCarrier, make_due_patient


class LinkCarrier(KeepingCarrier):
    """Keeps the tokens of the notes it put into words besides; its letters show the link."""

    def __init__(self, *args: Any, **over: Any) -> None:
        super().__init__(*args, **over)
        self.tokens: list[str] = []

    def compose(self, note: Note) -> Letter:
        self.tokens.append(note.token)
        return Letter(note.key, note.address, "en", note.step, f"https://x/ask/{note.token}/", "<p></p>")


def sweep(now: datetime = NOW) -> int:
    """What the scheduler rings, without the queue."""
    questions.tidy(now=now)
    return reminders.enqueue_due(now=now, by_link=True)


def send(now: datetime = NOW) -> LinkCarrier:
    carrier = LinkCarrier()
    outbox.deliver({"mail": carrier}, now=now)
    return carrier


def asked(patient: Patient | None = None, now: datetime = NOW) -> tuple[RefillQuestion, str]:
    """A question that went out, and its token."""
    patient = patient or make_due_patient()
    assert sweep(now) == 1
    (token,) = send(now).tokens
    return RefillQuestion.objects.get(patient=patient, state="open"), token


def say(question: RefillQuestion, wish: str = "yes", *kinds: str, now: datetime = NOW, **over: Any) -> Any:
    items = [NewItem(kind=kind, wanted=wish == "yes", need="worn") for kind in kinds or ("cushion",)]
    values: dict[str, Any] = {"still_using": True, "handover": "ship", "now": now}
    return questions.answer(question, wish=wish, items=items, **values | over)
