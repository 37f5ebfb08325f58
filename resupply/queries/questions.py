"""Refill questions: the lines to ask about, what of a question is still to answer, and the question behind a
link.
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet

from resupply.models import (
    Channel,
    Dispense,
    DispenseLine,
    Given,
    Handover,
    MessageState,
    Patient,
    PatientStatus,
    PlanLine,
    QuestionLink,
    QuestionPart,
    QuestionState,
    RefillAnswer,
    RefillQuestion,
    SuppliedBy,
)
from resupply.queries.answers import answered, spoke_lately, used
from resupply.queries.consents import reach
from resupply.queries.feeds import token_hash
from resupply.queries.message_terms import count_near, of_day
from resupply.queries.open_days import open_days
from resupply.queries.paused import paused_on
from resupply.queries.same_refill import of_same_refill
from resupply.rules.bundling import OpenDays
from resupply.rules.message_terms import MOST_A_WEEK
from resupply.rules.purposes import Purpose
from resupply.rules.questions import MOST_MESSAGES, Askable, bundle


def askable(patient_ids: Collection[int], *, day: date) -> dict[int, list[PlanLine]]:
    """The lines that one question on `day` is about, by patient: reached, not in a pause, not answered, and
    served by one delivery (`rules.questions.bundle`). Three queries.
    """
    rows = PlanLine.objects.filter(
        ~answered(today=day), patient__in=patient_ids, active=True, ask_from__lte=day
    ).exclude(paused_on(day))
    lines: dict[int, list[PlanLine]] = defaultdict(list)
    for line in rows.order_by("patient_id", "kind"):
        lines[line.patient_id].append(line)
    places = open_days({found[0].location_id for found in lines.values()}, since=day)
    return {
        patient: _bundled(found, day=day, open_days=places[found[0].location_id])
        for patient, found in lines.items()
    }


def _bundled(lines: list[PlanLine], *, day: date, open_days: OpenDays) -> list[PlanLine]:
    asked = bundle(
        (
            Askable(line.kind, line.ask_from, line.deliver_from, line.supply_ends_on, line.refill_on)
            for line in lines
        ),
        day=day,
        open_days=open_days,
    )
    kinds = {line.kind for line in asked}
    return [line for line in lines if line.kind in kinds]


def not_given(*, day: date) -> QuerySet[QuestionPart]:
    """Parts of questions about a refill that is still to come on a day: the same, and not given since."""
    line = of_same_refill(PlanLine.objects.filter(active=True, ask_from__lte=day))
    given = DispenseLine.objects.filter(
        dispense__patient=OuterRef("patient"),
        dispense__dispensed_on__gte=OuterRef("asked_on"),
        dispense__voided_at=None,
        kind=OuterRef("kind"),
        exchange_of=None,
        voided_at=None,
    )
    rows = QuestionPart.objects.annotate(
        patient=F("question__patient"), asked_on=F("question__asked_at__date")
    )
    return rows.filter(Exists(line), ~Exists(given))


def still_asked(*, day: date) -> QuerySet[QuestionPart]:
    """Of these, the parts that the patient has not answered about."""
    return not_given(day=day).filter(~answered(today=day))


@dataclass(frozen=True, slots=True)
class Unanswered:
    """An open question that went out: `sent` messages so far, the last on `last_on`."""

    patient_id: int
    zone: str
    asked_at: datetime
    sent: int
    last_on: date


def to_repeat(
    *,
    day: date,
    zones: Collection[str],
    sent_by: date,
    limit: int,
    per_week: int = MOST_A_WEEK,
    channels: Collection[str] = (Channel.MAIL,),
) -> list[Unanswered]:
    """Open questions that went out once, by the day `sent_by`, with nothing on its way, to patients who may
    be written to on `day`.
    """
    going = Q(messages__state__in=[MessageState.WAITING, MessageState.SENDING])
    sent = Q(messages__state=MessageState.SENT)
    paused = PlanLine.objects.filter(paused_on(day), patient=OuterRef("patient"))
    rows = (
        RefillQuestion.objects.filter(
            ~Exists(of_day(day)),
            ~Exists(paused),
            ~Exists(spoke_lately(today=day)),
            reach(Purpose.QUESTION, channels),
            state=QuestionState.OPEN,
            patient__status=PatientStatus.ON_THERAPY,
            patient__time_zone__in=zones,
        )
        .alias(near=count_near(day, "patient"), going=Count("messages", filter=going))
        .annotate(sent=Count("messages", filter=sent), last_on=Max("messages__day", filter=sent))
        .filter(near__lt=per_week, going=0, sent__lt=MOST_MESSAGES, last_on__lte=sent_by)
        .order_by("patient_id")
        .values_list("patient_id", "patient__time_zone", "asked_at", "sent", "last_on")
    )
    return [Unanswered(*row) for row in rows[:limit]]


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as its link shows it on a day.

    `parts`: what is still to be answered, or may be answered anew; `answer`: what came back; `can_change`:
    the desk has not acted on it, and nothing was said since by another way.
    """

    question: RefillQuestion
    parts: list[QuestionPart]
    answer: RefillAnswer | None
    can_change: bool
    is_late: bool


def behind(token: str) -> RefillQuestion | None:
    """The question behind a link's token; None: no such link, the question was withdrawn, or it is of a
    patient who is not on therapy here.
    """
    link = (
        QuestionLink.objects.filter(
            token_hash=token_hash(token), question__patient__status=PatientStatus.ON_THERAPY
        )
        .exclude(question__state=QuestionState.WITHDRAWN)
        .select_related(
            "question__patient__location", "question__patient__plan_state", "question__answer__patient"
        )
        .first()
    )
    return link.question if link else None


def latest(patient: Patient) -> RefillQuestion | None:
    """The question a patient was asked last, unless it was withdrawn; none where not on therapy here. One
    query.
    """
    if patient.status != PatientStatus.ON_THERAPY:
        return None
    rows = RefillQuestion.objects.filter(patient=patient).select_related("answer")
    found = rows.order_by("-asked_at", "-pk").first()
    if found is None or found.state == QuestionState.WITHDRAWN:
        return None
    found.patient = patient
    return found


def asked(question: RefillQuestion, *, day: date, now: datetime) -> Asked:
    """What the patient sees of a question."""
    answer = question.answer
    can_change = answer is not None and may_change(answer)
    parts = not_given(day=day) if can_change else still_asked(day=day)
    return Asked(
        question=question,
        parts=list(parts.filter(question=question)),
        answer=answer,
        can_change=can_change,
        is_late=now >= question.expires_at,
    )


def may_change(answer: RefillAnswer) -> bool:
    """Whether the patient may still change an answer: nobody saw to it, gave parts from it or voided it, and
    nothing was said after it.
    """
    if answer.voided_at is not None or answer.handled_at is not None:
        return False
    later = RefillAnswer.objects.filter(
        patient=answer.patient_id, voided_at=None, answered_at__gt=answer.answered_at
    )
    return not later.exists() and not answer.items.filter(used()).exists()


def usual_handover(patient: Patient) -> str:
    """How the parts went out last time; collected where none went out yet, or no address is known."""
    last = (
        Dispense.objects.filter(patient=patient, voided_at=None, supplied_by=SuppliedBy.US)
        .order_by("-dispensed_on", "-pk")
        .values_list("given", flat=True)
        .first()
    )
    return Handover.SHIP if last == Given.SHIPPED and patient.address else Handover.COLLECT


def of_patient(patient: Patient) -> QuerySet[RefillQuestion]:
    """A patient's questions, the newest first, each with `sent`, the messages of it that went out."""
    sent = Count("messages", filter=Q(messages__state=MessageState.SENT), distinct=True)
    rows = RefillQuestion.objects.filter(patient=patient).annotate(sent=sent)
    return rows.select_related("answer", "closed_by").prefetch_related("parts").order_by("-asked_at", "-pk")


def emptied(*, now: datetime) -> list[tuple[int, int]]:
    """Open questions with nothing left to answer, each with its patient (keys).

    The day is one ahead of UTC's: no patient's question is closed before it is theirs to ask.
    """
    day = (now + timedelta(days=1)).date()
    left = still_asked(day=day).filter(question=OuterRef("pk"))
    rows = RefillQuestion.objects.filter(~Exists(left), state=QuestionState.OPEN).order_by("patient_id")
    return list(rows.values_list("pk", "patient_id"))


def said_since(question: RefillQuestion) -> RefillAnswer | None:
    """The newest standing answer about a part of a question, given since it was asked."""
    kinds = question.parts.values("kind")
    said = RefillAnswer.objects.filter(
        patient=question.patient_id,
        voided_at=None,
        contacted_on__gte=question.asked_at.date(),
        items__kind__in=kinds,
    )
    return said.order_by("-answered_at", "-pk").first()
