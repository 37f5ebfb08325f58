"""Messages that did not arrive and wait for a person: refused, given up, come back, run late."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Exists, OuterRef, Q, QuerySet

from resupply.models import BadAddress, Message, MessageState, PatientStatus
from resupply.models.outbox import RAN_LATE
from resupply.queries.consents import bad_addresses
from resupply.rules.replies import REPLIES

LATE_COUNTS = timedelta(days=7)
"""A message that ran late is shown so long: the next day's message says what is true by then."""


@dataclass(frozen=True, slots=True)
class Failure:
    """A message that did not arrive, why in a code word, and the address that is stopped for it."""

    message: Message
    why: str
    bad: BadAddress | None


def failures(places: Collection[int], *, today: date, at_most: int) -> list[Failure]:
    """The newest first, of patients of these locations (none: everywhere). Two queries."""
    rows = gone_wrong(today=today)
    if places:
        rows = rows.filter(patient__location__in=sorted(places))
    found = list(rows.select_related("patient__location").order_by("-finished_at", "-pk")[:at_most])
    bad = {
        (row.patient_id, row.channel, row.address): row
        for row in bad_addresses().filter(patient__in={message.patient_id for message in found})
    }
    return [
        Failure(message, why(message), bad.get((message.patient_id, message.channel, message.address)))
        for message in found
    ]


def did_not_arrive(of: str = "") -> Q:
    """Whether a message could not be sent, or came back; `of`: the way to it from the row."""
    return Q(**{f"{of}state": MessageState.FAILED}) | Q(**{f"{of}bounced_at__isnull": False})


def went_out(of: str = "") -> Q:
    """Whether a message was sent, and did not come back."""
    return Q(**{f"{of}state": MessageState.SENT, f"{of}bounced_at": None})


def gone_wrong(*, today: date, with_late: bool = True) -> "QuerySet[Message]":
    """Messages that did not arrive and nobody has seen to, unless a later one went out to the same patient on
    the same channel: that one said what was true by then; none to patients whose import was undone. Without
    those that ran late an index finds them.
    """
    later = Message.objects.filter(
        went_out(),
        patient=OuterRef("patient"),
        channel=OuterRef("channel"),
        day__gt=OuterRef("day"),
    ).exclude(purpose__in=REPLIES)
    late = Q(state=MessageState.CANCELLED, last_error=RAN_LATE, day__gt=today - LATE_COUNTS)
    wrong = did_not_arrive()
    rows = Message.objects.filter(wrong | late if with_late else wrong, handled_at=None)
    rows = rows.filter(~Exists(later)).exclude(purpose__in=REPLIES)
    return rows.exclude(patient__status=PatientStatus.WITHDRAWN)


MOST_COUNTED = 200


def gone_wrong_at(places: Collection[int], *, today: date) -> int:
    """How many wait at these locations besides what ran late, up to `MOST_COUNTED`. One query."""
    rows = gone_wrong(today=today, with_late=False)
    if places:
        rows = rows.filter(patient__location__in=sorted(places))
    return len(rows.values_list("pk")[:MOST_COUNTED])


def why(message: Message) -> str:
    """`bounced`, `late`, `unsure` (it may have arrived) or `failed`."""
    if message.bounced_at is not None:
        return "bounced"
    if message.state == MessageState.CANCELLED:
        return "late"
    return "unsure" if message.is_unsure else "failed"


def open_of(patient_id: int, *, today: date) -> set[int]:
    """The keys of a patient's messages that wait for a person. One query."""
    return set(gone_wrong(today=today).filter(patient=patient_id).values_list("pk", flat=True))


def bad_of(patient_id: int) -> "QuerySet[BadAddress]":
    """Addresses of a patient that are stopped."""
    return bad_addresses().filter(patient=patient_id).order_by("channel", "pk")
