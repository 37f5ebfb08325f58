"""Messages of a recall notice on their way out: whether each is still to be sent, and to whom."""

from datetime import datetime

from django.db.models import Exists, OuterRef

from resupply.models import SETTLES, Message, PatientStatus, RecallContact, RecallNotice
from resupply.rules.recall_notices import PURPOSE
from resupply.rules.reminders import may_send
from resupply.rules.sending import Note


def columns() -> dict[str, Exists]:
    """Expressions for a query on messages: whether the notice is open, and the patient settled."""
    notices = RecallNotice.objects.filter(recall=OuterRef("recall"), closed_at=None, voided_at=None)
    contacts = RecallContact.objects.filter(
        recall=OuterRef("recall"), patient=OuterRef("patient"), outcome__in=SETTLES, voided_at=None
    )
    return {"notice_is_open": Exists(notices), "is_settled": Exists(contacts)}


def recall_note(message: Message, *, now: datetime) -> Note | None:
    """The note of a message with `columns` and `consent`; None: it is no longer needed or no longer allowed.

    Whether therapy goes on does not matter: who ended it may still have the part in a drawer.
    """
    patient = message.patient
    wanted = getattr(message, "notice_is_open", False) and not getattr(message, "is_settled", True)
    allowed = bool(getattr(message, "consent", False)) and bool(patient.email)
    gone = patient.status in {PatientStatus.DIED, PatientStatus.WITHDRAWN}
    if not wanted or not allowed or gone or not may_send(now, patient.time_zone):
        return None
    return Note(
        key=str(message.public_id),
        address=patient.email,
        given_name=patient.given_name,
        language=patient.language,
        step="",
        phone=patient.location.phone,
        purpose=PURPOSE,
    )
