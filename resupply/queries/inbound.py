"""Texts that came in: who they may be from, and those that wait for somebody."""

from collections.abc import Collection, Iterable
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from resupply.models import (
    Channel,
    Consent,
    FindToken,
    InboundText,
    Message,
    Patient,
    PatientStatus,
    QuestionState,
    RefillQuestion,
)
from resupply.queries.finding import phone_tokens
from resupply.rules.replies import Reply
from resupply.rules.sending import Note

Places = Collection[int]
"""Ids of locations; empty: everywhere."""


def candidates(number: str) -> QuerySet[Patient]:
    """Patients whose phone on record ends as an E.164 number does; how it is spelled, the caller compares."""
    ending = number[-7:]
    tokens = FindToken.objects.filter(token__in=phone_tokens(ending))
    rows = Patient.objects.filter(pk__in=tokens.values("patient")).exclude(status=PatientStatus.WITHDRAWN)
    return rows.select_related("location").order_by("pk")


def newest_text_consents(patient_ids: Iterable[int], *, purpose: str | None = None) -> dict[int, Consent]:
    """The newest standing record about texts of each patient; `purpose`: of those that cover it."""
    rows = Consent.objects.filter(patient__in=list(patient_ids), channel=Channel.TEXT, voided_at=None)
    if purpose is not None:
        rows = rows.filter(purpose__in=["", purpose])
    return {row.patient_id: row for row in rows.order_by("patient_id", "-pk").distinct("patient_id")}


def open_questions(patient_ids: Iterable[int], *, now: datetime) -> list[RefillQuestion]:
    """Open refill questions of these patients."""
    rows = RefillQuestion.objects.filter(patient__in=list(patient_ids), state=QuestionState.OPEN)
    return list(rows.filter(expires_at__gt=now).order_by("-asked_at", "-pk"))


def replies_lately(number: str, *, now: datetime) -> int:
    """How many replies this number was given within a day."""
    since = now - timedelta(days=1)
    return InboundText.objects.filter(from_number=number, received_at__gt=since, reply__isnull=False).count()


# --- for staff ----------------------------------------------------------------------------------------------


def seen_at(places: Places) -> QuerySet[InboundText]:
    """The texts that staff of these locations see: of their patients, and of numbers nobody knows. Of those
    who share the number, each with the ones of these locations alone, none whose import was undone.
    """
    rows = InboundText.objects.all()
    people = Patient.objects.exclude(status=PatientStatus.WITHDRAWN).select_related("location")
    if places:
        people = people.filter(location__in=sorted(places))
        here = InboundText.patients.through.objects.filter(
            inboundtext=OuterRef("pk"), patient__location__in=sorted(places)
        )
        anybody = InboundText.patients.through.objects.filter(inboundtext=OuterRef("pk"))
        rows = rows.filter(Exists(here) | ~Exists(anybody))
    return rows.select_related("handled_by", "reply").prefetch_related(Prefetch("patients", people))


def waiting(places: Places) -> QuerySet[InboundText]:
    """Texts that wait for a person, the oldest first."""
    rows = seen_at(places).filter(needs_person=True, handled_at=None)
    return rows.order_by("received_at", "pk")


def others(places: Places) -> QuerySet[InboundText]:
    """Texts that wait for nobody, the newest first."""
    return seen_at(places).filter(Q(needs_person=False) | Q(handled_at__isnull=False))


# --- replies on their way out -------------------------------------------------------------------------------


def reply_note(message: Message, *, now: datetime) -> tuple[Note | None, int | None]:
    """A queued reply in words, and the question it carries; None: there is nothing to say any more.

    It goes to the number that wrote, whatever is on record, at any hour and without a consent: it answers.
    Only a link to a question needs a question that is open.
    """
    patient = message.patient
    question = None
    if message.purpose == Reply.LINK_AGAIN:
        found = open_questions([patient.pk], now=now)
        if not found:
            return None, None
        question = found[0].pk
    note = Note(
        key=str(message.public_id),
        address=message.address,
        given_name="",
        language=patient.language,
        step="",
        phone=patient.location.phone,
        purpose=message.purpose,
    )
    return note, question
