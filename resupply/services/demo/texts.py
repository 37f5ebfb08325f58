"""Text messages of the demo: who agreed to them, and what some patients wrote back."""

from datetime import date, datetime, timedelta

from resupply.delivery.texts import wording
from resupply.models import (
    Channel,
    Consent,
    InboundText,
    Message,
    MessageState,
    MessageWish,
    Patient,
    PatientStatus,
    QuestionState,
)
from resupply.services import inbound
from resupply.services.records import stamp

AGREED = 18
"""Patients who agreed to texts beside mail; every other one of them likes texts better."""
_UNKNOWN = "+13035550198"


def write_texts(*, today: date, now: datetime) -> None:
    """Yeses to texts, and texts of the last days: what stops, asks, answers, or is nobody's."""
    agreed = _agreed()
    MessageWish.objects.bulk_create(
        MessageWish(patient=patient, channel=Channel.TEXT, by_patient=True, **stamp(None, now))
        for patient in agreed[::2]
    )
    Consent.objects.bulk_create(
        Consent(
            patient=patient,
            channel=Channel.TEXT,
            granted=True,
            given_on=today - timedelta(days=120),
            how="asked at the desk",
            **stamp(None, now),
        )
        for patient in agreed
    )
    asked = [p for p in agreed if p.refill_questions.filter(state=QuestionState.OPEN).exists()]
    quiet = [p for p in agreed if p not in asked]
    said = [
        (quiet[0], 50, "Stop"),
        (quiet[1], 27, "HELP"),
        (quiet[2], 5, "The strap slips at night. Can somebody call me after 4?"),
        *((patient, 3, "Yes") for patient in asked[:1]),
        (quiet[3], 2, "Please no more messages, I am moving to my daughter in May"),
        (None, 1, "You have the wrong number"),
    ]
    for number, (patient, hours, body) in enumerate(said):
        phone = patient.phone if patient else _UNKNOWN
        came_at = now - timedelta(hours=hours)
        came = inbound.receive(
            event_id=f"demo-{number}",
            number="+" + "".join(filter(str.isdigit, phone)),
            body=body,
            now=came_at,
        )
        _sent(came.text, came_at)


def _agreed() -> list[Patient]:
    """Patients who agreed to mail, are on therapy, and whose story is no other page's: those asked first."""
    rows = Patient.objects.filter(
        status=PatientStatus.ON_THERAPY, consents__channel=Channel.MAIL, consents__granted=True
    ).exclude(consents__granted=False)
    found = list(rows.exclude(phone="").select_related("location").distinct().order_by("pk"))[1:]
    asked = [p for p in found if p.refill_questions.filter(state=QuestionState.OPEN).exists()][:3]
    return asked + [p for p in found if p not in asked][: AGREED - len(asked)]


def _sent(text: InboundText, at: datetime) -> None:
    """The reply as it went out; the link in it is a secret that the record does not hold."""
    reply = text.reply
    if reply is None:
        return
    patient = reply.patient
    words = wording.word(reply.purpose, patient.language, wording.Shown(patient.location.phone, "(the link)"))
    Message.objects.filter(pk=reply.pk).update(
        state=MessageState.SENT, finished_at=at, attempts=1, body_text=words
    )
