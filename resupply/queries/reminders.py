"""What is due to be written about, and whether what was queued still is.

The step of a line is worked out in SQL by the ladder of `rules/reminders.py`, so that the database hands out
only what is new; a test compares both over the whole range of dates.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import (
    Case,
    DateField,
    Exists,
    ExpressionWrapper,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)

from resupply.models import (
    Channel,
    Consent,
    Message,
    MessageReason,
    MessageState,
    Patient,
    PatientStatus,
    PlanLine,
    QuestionState,
)
from resupply.queries import recall_messages
from resupply.queries.answers import answered, spoke_lately
from resupply.queries.inbound import reply_note
from resupply.rules.reminders import (
    ASK_AGAIN,
    LADDER,
    SAME_REFILL_DAYS,
    STEPS,
    Refill,
    ReminderStep,
    Window,
    may_send,
    next_window,
    step_reached,
)
from resupply.rules.replies import REPLIES
from resupply.rules.sending import Note


@dataclass(frozen=True, slots=True)
class DueLine:
    """A line that has newly reached a step."""

    patient_id: int
    zone: str
    kind: str
    supply_ends_on: date
    step: str


def windows(*, now: datetime) -> dict[str, Window]:
    """The present or next sending window of every zone that patients live in."""
    zones = (
        Patient.objects.filter(status=PatientStatus.ON_THERAPY).order_by().values_list("time_zone", flat=True)
    )
    return {zone: next_window(now, zone) for zone in zones.distinct()}


def due_lines(*, day: date, zones: Collection[str], after: int, limit: int) -> list[DueLine]:
    """Lines with a new step on `day`, by patient from keys above `after` on; at most `limit` lines (> 10).

    Left out: patients not on therapy, without an address or without a standing yes to e-mail, those who have
    a message of that day already or gave an answer lately, lines in a pause, answered lines, lines that wait
    for the patient's open question to close, and lines whose plan is not worked out up to that day.
    """
    lines = (
        PlanLine.objects.alias(consent=newest_consent("patient"))
        .filter(
            Q(paused_from=None) | Q(paused_from__gt=day) | Q(paused_until__lte=day),
            Q(patient__plan_state__valid_until=None) | Q(patient__plan_state__valid_until__gt=day),
            ~Q(patient__email=""),
            ~answered(today=day),
            ~Exists(spoke_lately(today=day)),
            active=True,
            ask_from__lte=day,
            consent=True,
            patient__status=PatientStatus.ON_THERAPY,
            patient__time_zone__in=zones,
            patient_id__gt=after,
        )
        .exclude(Exists(Message.objects.filter(patient=OuterRef("patient"), channel=Channel.MAIL, day=day)))
        .annotate(rank=_rank_reached(day))
        .exclude(Exists(_written_about()))
        .exclude(Q(rank=LADDER[0].rank) & Exists(_open_question()))
        .order_by("patient_id", "kind")
        .values_list("patient_id", "patient__time_zone", "kind", "supply_ends_on", "rank")[:limit]
    )
    names = {step.rank: step.name for step in LADDER}
    found = [DueLine(patient, zone, kind, ends, names[rank]) for patient, zone, kind, ends, rank in lines]
    if len(found) == limit:  # the last patient may have more lines than were read
        found = [line for line in found if line.patient_id != found[-1].patient_id]
    return found


def newest_consent(patient: str) -> Subquery:
    """Whether the newest standing record says yes to e-mail (null: none); `patient`: the outer column."""
    consents = Consent.objects.filter(patient=OuterRef(patient), channel=Channel.MAIL, voided_at=None)
    return Subquery(consents.order_by("-id").values("granted")[:1])


def may_mail(patient: Patient) -> bool:
    """Whether the newest standing record says yes to e-mail."""
    rows = Patient.objects.filter(pk=patient.pk).annotate(consent=newest_consent("pk"))
    return bool(rows.values_list("consent", flat=True).get())


def _rank_reached(day: date) -> Case:
    """Rank of the highest step reached on `day` by a line whose `ask_from` has come."""
    later = [step for step in reversed(LADDER) if step.days_after is not None]
    whens = [
        When(refill_on__lte=day - timedelta(days=step.days_after or 0), then=Value(step.rank))
        for step in later
    ]
    return Case(*whens, default=Value(LADDER[0].rank), output_field=IntegerField())


def _written_about() -> "QuerySet[MessageReason]":
    """Standing reasons of the outer line's refill, of its step or a higher one."""
    ends = OuterRef("supply_ends_on")
    near = timedelta(days=SAME_REFILL_DAYS)
    ranks = Case(
        *(When(step=step.name, then=Value(step.rank)) for step in LADDER), output_field=IntegerField()
    )
    return MessageReason.objects.alias(reason_rank=ranks).filter(
        patient=OuterRef("patient"),
        kind=OuterRef("kind"),
        stands=True,
        supply_ends_on__gt=ExpressionWrapper(ends - near, output_field=DateField()),
        supply_ends_on__lt=ExpressionWrapper(ends + near, output_field=DateField()),
        reason_rank__gte=OuterRef("rank"),
    )


def _open_question() -> "QuerySet[Message]":
    """Messages on their way or sent that carry the open question of the outer line's patient."""
    return Message.objects.filter(
        patient=OuterRef("patient"),
        question__state=QuestionState.OPEN,
        state__in=[MessageState.WAITING, MessageState.SENDING, MessageState.SENT],
    )


# --- what was queued ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Queued:
    """A queued message looked at again: the note to send (None: no longer needed), the question it carries,
    and the reasons that fell.
    """

    note: Note | None
    question_id: int | None = None
    fallen: tuple[int, ...] = ()


def look_again(message_ids: Iterable[int], *, now: datetime) -> dict[int, Queued]:
    """Whether messages are still to be sent at `now`, by message key; three queries however many they are."""
    messages = list(
        Message.objects.filter(pk__in=message_ids)
        .annotate(
            consent=newest_consent("patient"),
            valid_until=F("patient__plan_state__valid_until"),
            spoke=Exists(spoke_lately(today=now.date())),
            **recall_messages.columns(),
        )
        .select_related("patient__location", "question")
    )
    reasons: dict[int, list[MessageReason]] = {message.pk: [] for message in messages}
    standing = MessageReason.objects.filter(message__in=messages, stands=True)
    for reason in standing.annotate(is_answered=answered(today=now.date())):
        reasons[reason.message_id].append(reason)
    plans = {
        (line.patient_id, line.kind): line
        for line in PlanLine.objects.filter(patient__in={message.patient_id for message in messages})
    }
    return {
        message.pk: Queued(*reply_note(message, now=now))
        if message.purpose in REPLIES
        else Queued(recall_messages.recall_note(message, now=now))
        if message.recall_id is not None
        else _look_again(
            message,
            reasons[message.pk],
            plans,
            may_go=bool(message.consent)
            and (message.valid_until is None or message.valid_until > message.day)
            and may_send(now, message.patient.time_zone),
        )
        for message in messages
    }


def _look_again(
    message: Message,
    reasons: list[MessageReason],
    plans: dict[tuple[int, str], PlanLine],
    *,
    may_go: bool,
) -> Queued:
    patient = message.patient
    steps: list[ReminderStep] = []
    fallen: list[int] = []
    for reason in reasons:
        line = plans.get((reason.patient_id, reason.kind))
        if line is not None and _still_to_say(message, reason) and still_holds(reason, line, day=message.day):
            steps.append(STEPS[reason.step])
        else:
            fallen.append(reason.pk)
    asks = message.question is None or message.question.state == QuestionState.OPEN
    if not (steps and may_go and asks and patient.email and patient.status == PatientStatus.ON_THERAPY):
        return Queued(None, fallen=tuple(reason.pk for reason in reasons))
    note = Note(
        key=str(message.public_id),
        address=patient.email,
        given_name=patient.given_name,
        language=patient.language,
        step=max(steps, key=lambda step: step.rank).name,
        phone=patient.location.phone,
    )
    return Queued(note, message.question_id, tuple(fallen))


def _still_to_say(message: Message, reason: MessageReason) -> bool:
    """Whether the patient has not answered meanwhile: about this part, or about any, unless staff or the
    question itself asks once more.
    """
    if getattr(reason, "is_answered", False):
        return False
    return reason.step == ASK_AGAIN.name or not getattr(message, "spoke", False)


def still_holds(reason: MessageReason, line: PlanLine, *, day: date) -> bool:
    """Whether the line is still at the refill and the step it was queued for."""
    if not line.active or abs((line.supply_ends_on - reason.supply_ends_on).days) >= SAME_REFILL_DAYS:
        return False
    refill = Refill(line.ask_from, line.refill_on, line.paused_from, line.paused_until)
    reached = step_reached(refill, day=day)
    return reached is not None and reached.rank >= STEPS[reason.step].rank
