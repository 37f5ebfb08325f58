"""What became of the reminders: the database, the mail server and the log of points compared."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Exists, OuterRef

from resupply.models import Message, MessageReason, MessageState
from resupply.services import outbox
from tests.faults.office import Taken
from tests.faults.people import NEVER, REMINDED, Crowd


@dataclass
class Count:
    """A line of the table. `lost`, `unexpected`, `wrong` say what must not be, without addresses."""

    scenario: str
    reminders: int = 0
    sent: int = 0
    cancelled: int = 0
    to_person: int = 0
    duplicates: int = 0
    lost: list[str] = field(default_factory=list)
    unexpected: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0
    heartbeat: float | None = None

    def problems(self, *, may_double: bool) -> list[str]:
        """Everything that breaks the promise."""
        found = [*self.lost, *self.unexpected, *self.wrong]
        if self.duplicates and not may_double:
            found.append(f"{self.duplicates} duplicates where nothing excuses them")
        return [f"{self.scenario}: {what}" for what in found]


def reckon(crowd: Crowd, taken: Iterable[Taken], passed: Iterable[dict[str, Any]]) -> Count:
    """Go through the patients of a crowd: what the mail server took of them, and what workers passed."""
    count = Count(crowd.name)
    patients = crowd.patients()
    copies: dict[str, list[Taken]] = defaultdict(list)
    for one in taken:
        if f"-{crowd.mark}-" in one.address:
            copies[one.address].append(one)
    count.unexpected += [f"a mail to {address}" for address in copies.keys() - patients.keys()]
    messages: dict[int, list[Message]] = defaultdict(list)
    about = MessageReason.objects.filter(message=OuterRef("pk"), stands=True)
    for message in Message.objects.filter(patient__in=patients.values()).annotate(about=Exists(about)):
        messages[message.patient_id].append(message)
    begun, looked = _latest(passed)
    for address, patient in patients.items():
        case = _Case(address, messages[patient.pk], copies[address])
        case.reckon(count)
        # One that began as a reminder may end as a welcome, which the parts bring.
        reminders = [one.pk for one in case.messages if one.about]  # type: ignore[attr-defined]
        stopped, served = crowd.stopped.get(address), crowd.served.get(address)
        is_late = stopped is not None and any(begun.get(one.pk, 0) > stopped for one in case.messages)
        is_late |= served is not None and any(looked.get(pk, 0) > served for pk in reminders)
        if is_late:
            count.unexpected.append(f"{case.kind}: sent after it was to stop")
    return count


def _latest(passed: Iterable[dict[str, Any]]) -> tuple[dict[int, float], dict[int, float]]:
    """By message that was begun: when that was asked for, and when the look began on which it was.

    A stop is in time until a message is begun; parts that are given, until the batch is looked at again.
    """
    begun, looked, looks = {}, {}, dict[int, float]()
    for row in passed:
        if row["point"] == "looked":
            looks[row["pid"]] = row["since"]
        elif row["point"] == "begun":
            begun[row["message"]], looked[row["message"]] = row["since"], looks.get(row["pid"], 0)
    return begun, looked


@dataclass
class _Case:
    """One patient: at most one message that day, at most two copies of it, and states that agree."""

    address: str
    messages: list[Message]
    copies: list[Taken]

    @property
    def kind(self) -> str:
        return self.address.partition("-")[0]

    def reckon(self, count: Count) -> None:
        if self.kind in NEVER:
            if self.messages or self.copies:
                count.unexpected.append(f"{self.kind}: written to")
            return
        assert self.kind in REMINDED
        count.reminders += 1
        count.sent += bool(self.copies)
        count.duplicates += max(0, len(self.copies) - 1)
        if len(self.copies) > 2:
            count.wrong.append(f"{len(self.copies)} copies of one reminder")
        if len({one.message_id for one in self.copies}) > 1:
            count.wrong.append("copies under different Message-IDs")
        if len(self.messages) > 1:
            count.unexpected.append(f"{len(self.messages)} messages on one day")
        if len(self.messages) == 1:
            self._compare(self.messages[0], count)
        elif not self.messages and (self.copies or self.kind in {"due", "unknown"}):
            count.lost.append(f"{self.kind}: no message at all")

    def _compare(self, message: Message, count: Count) -> None:
        """The state of the row against the mail server, and whether its reason is true."""
        state, words = message.state, f"{self.kind}: {message.state} ({message.last_error})"
        if state == MessageState.SENT:
            if not self.copies:
                count.lost.append(f"{words}, and the server has none")
        elif state == MessageState.CANCELLED:
            count.cancelled += 1
            is_true = self.kind in {"stops", "given"} and message.last_error != outbox.TOO_LATE
            if not is_true:
                count.lost.append(words)
            elif self.copies and not message.is_unsure:
                count.wrong.append(f"{words}, and the server has one")
        elif state == MessageState.FAILED:
            count.to_person += 1
            if self.kind != "unknown" and not message.is_unsure:
                count.lost.append(words)
            elif self.kind == "unknown" and "550" not in message.last_error:
                count.wrong.append(words)
        else:
            count.lost.append(f"{words}, left behind")


def table(counts: Iterable[Count]) -> str:
    """The counts as lines of text."""
    head = (
        "scenario",
        "reminders",
        "sent",
        "cancelled",
        "to a person",
        "lost",
        "unexpected",
        "duplicates",
        "wrong",
    )
    rows = [
        (
            *(one.scenario, one.reminders, one.sent, one.cancelled, one.to_person, len(one.lost)),
            *(len(one.unexpected), one.duplicates, len(one.wrong)),
            "" if one.heartbeat is None else f"{one.heartbeat:.1f}",
            f"{one.seconds:.0f}",
        )
        for one in counts
    ]
    columns = list(zip((*head, "heartbeat s", "seconds"), *rows, strict=True))
    widths = [max(len(str(cell)) for cell in column) for column in columns]
    return "\n".join(
        "  ".join(
            str(cell).ljust(width) if place == 0 else str(cell).rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in ((*head, "heartbeat s", "seconds"), *rows)
    )


def errors(counts: Iterable[Count]) -> Counter[str]:
    """How often each thing that must not be was found."""
    return Counter(what for one in counts for what in [*one.lost, *one.unexpected, *one.wrong])
