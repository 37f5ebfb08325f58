"""Messages of a recall notice on their way out: whether each is still to be sent, and to whom."""

from datetime import datetime

from django.db.models import Exists, OuterRef, Subquery

from resupply.models import SETTLES, Channel, Message, PatientStatus, RecallContact, RecallNotice
from resupply.queries.consents import ADDRESS, is_bad, newest_consent
from resupply.rules.message_terms import Schedule
from resupply.rules.recall_notices import PURPOSE
from resupply.rules.reminders import may_send
from resupply.rules.sending import Note


def columns() -> dict[str, Exists | Subquery]:
    """Expressions for a query on messages: whether the notice is open and the patient settled, what was said
    to mail and texts for every purpose, and whether the address on record is known not to exist.
    """
    notices = RecallNotice.objects.filter(recall=OuterRef("recall"), closed_at=None, voided_at=None)
    contacts = RecallContact.objects.filter(
        recall=OuterRef("recall"), patient=OuterRef("patient"), outcome__in=SETTLES, voided_at=None
    )
    return {
        "notice_is_open": Exists(notices),
        "is_settled": Exists(contacts),
        "said_to_mail": newest_consent(Channel.MAIL, "", "patient"),
        "mail_is_bad": is_bad(Channel.MAIL, "patient__email", "patient"),
        "said_to_text": newest_consent(Channel.TEXT, "", "patient"),
        "text_is_bad": is_bad(Channel.TEXT, "patient__phone", "patient"),
    }


def recall_note(message: Message, terms: Schedule, *, now: datetime) -> Note | None:
    """The note of a message with `columns`; None: it is no longer needed or no longer allowed.

    Whether therapy goes on does not matter: who ended it may still have the part in a drawer.
    """
    patient = message.patient
    wanted = getattr(message, "notice_is_open", False) and not getattr(message, "is_settled", True)
    said = bool(getattr(message, f"said_to_{message.channel}", False))
    allowed = said and not getattr(message, f"{message.channel}_is_bad", True)
    address = getattr(patient, ADDRESS[message.channel])
    gone = patient.status in {PatientStatus.DIED, PatientStatus.WITHDRAWN}
    may_go = wanted and allowed and address and not gone
    if not (may_go and may_send(now, patient.time_zone, hours_on=terms.hours_on)):
        return None
    return Note(
        key=str(message.public_id),
        address=address,
        given_name=patient.given_name,
        language=patient.language,
        step="",
        phone=patient.location.phone,
        purpose=PURPOSE,
    )
