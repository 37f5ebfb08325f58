"""For tests of text messages: a text that was sent, and texts that come in."""

from datetime import datetime, timedelta
from itertools import count

from resupply.models import Message, MessageState, Patient
from resupply.services import inbound
from resupply.services.inbound import Came
from tests.builders import NOW, TODAY

_events = count()


def make_sent_text(patient: Patient, *, reference: str = "ref-1", **over: object) -> Message:
    """A text to a patient that a gateway took under a reference."""
    values: dict[str, object] = {
        "channel": "text",
        "purpose": "refill_question",
        "day": TODAY,
        "state": MessageState.SENT,
        "created_at": NOW,
        "not_before": NOW,
        "expires_at": NOW + timedelta(hours=5),
        "finished_at": NOW,
        "provider_ref": reference,
    }
    return Message.objects.create(patient=patient, **values | over)  # type: ignore[misc]


def text_in(body: str, *, number: str = "+13035550142", now: datetime = NOW, event: str = "") -> Came:
    """Somebody writes to us."""
    return inbound.receive(event_id=event or f"event-{next(_events)}", number=number, body=body, now=now)
