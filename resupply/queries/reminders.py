"""What is due to be written about, and whether what was queued still is.

The step of a line is worked out in SQL by the ladder of `rules/reminders.py`, so that the database hands out
only what is new; a test compares both over the whole range of dates.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple

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
    Message,
    MessageOccasion,
    MessageReason,
    MessageState,
    Patient,
    PatientStatus,
    PlanLine,
    QuestionState,
)
from resupply.queries import consents, occasions, recall_messages
from resupply.queries.answers import answered, spoke_lately
from resupply.queries.consents import ADDRESS, Reach, reach, reaches
from resupply.queries.inbound import reply_note
from resupply.queries.message_terms import count_near, days_before, schedule
from resupply.rules.consents import may_write
from resupply.rules.message_terms import MOST_A_WEEK, Schedule, has_room
from resupply.rules.purposes import URGENT_FIRST, Purpose, of_step
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


def windows(*, now: datetime, terms: Schedule) -> dict[str, Window]:
    """The present or next sending window of every zone that patients live in."""
    zones = (
        Patient.objects.filter(status=PatientStatus.ON_THERAPY).order_by().values_list("time_zone", flat=True)
    )
    return {zone: next_window(now, zone, hours_on=terms.hours_on) for zone in zones.distinct()}


def due_lines(
    *,
    day: date,
    zones: Collection[str],
    after: int,
    limit: int,
    per_week: int = MOST_A_WEEK,
    channels: Collection[str] = (Channel.MAIL,),
) -> list[DueLine]:
    """Lines with a new step on `day`, by patient from keys above `after` on; at most `limit` lines (> 10).

    Left out: patients not on therapy, those whom no channel reaches with a standing yes to the step's
    purpose, those who have a message of that day already or as many in a week as the terms allow, or gave an
    answer lately; lines in a pause, answered lines, lines that wait for the patient's open question to
    close, and lines whose plan is not worked out up to that day.
    """
    pressing = Q(rank__gte=STEPS["overdue_1"].rank)
    lines = (
        PlanLine.objects.alias(near=count_near(day, "patient"))
        .filter(
            Q(paused_from=None) | Q(paused_from__gt=day) | Q(paused_until__lte=day),
            Q(patient__plan_state__valid_until=None) | Q(patient__plan_state__valid_until__gt=day),
            ~answered(today=day),
            ~Exists(spoke_lately(today=day)),
            ~Exists(messages_of(day)),
            active=True,
            ask_from__lte=day,
            patient__status=PatientStatus.ON_THERAPY,
            patient__time_zone__in=zones,
            patient_id__gt=after,
            near__lt=per_week,
        )
        .annotate(rank=_rank_reached(day))
        .filter(
            (~pressing & reach(Purpose.QUESTION, channels)) | (pressing & reach(Purpose.OVERDUE, channels))
        )
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


def messages_of(day: date, patient: str = "patient") -> "QuerySet[Message]":
    """Messages of the outer row's patient that belong to a day, whatever became of them."""
    return Message.objects.filter(patient=OuterRef(patient), day=day).exclude(purpose__in=REPLIES)


def newest_consent(patient: str) -> Subquery:
    """Whether the newest standing record says yes to asking by e-mail (null: none); `patient`: the outer
    column.
    """
    return consents.newest_consent(Channel.MAIL, Purpose.QUESTION, patient)


def may_mail(patient: Patient) -> bool:
    """Whether the newest standing record says yes to asking by e-mail."""
    return bool(consents.may_write([patient.pk], Channel.MAIL, Purpose.QUESTION))


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
    stops_by_link: bool = False
    """Whether it gets a one-click way out: reminders by mail do."""


_OF_MESSAGES = (
    *("public_id", "channel", "purpose", "day", "address", "patient_id", "recall_id", "question__state"),
    *("patient__given_name", "patient__email", "patient__phone", "patient__language"),
    *("patient__time_zone", "patient__status", "patient__location__phone"),
)
"""What a note is made of: a worker looks again at every message, so the other columns would tell."""


def look_again(message_ids: Iterable[int], *, now: datetime) -> dict[int, Queued]:
    """Whether messages are still to be sent at `now`, by message key; so many queries however many they
    are.
    """
    messages = list(
        Message.objects.filter(pk__in=message_ids)
        .annotate(
            valid_until=F("patient__plan_state__valid_until"),
            spoke=Exists(spoke_lately(today=now.date())),
            **recall_messages.columns(),
        )
        .select_related("patient__location", "question")
        .only(*_OF_MESSAGES)
    )
    known = _known(messages, now=now)
    return {
        message.pk: Queued(*reply_note(message, now=now))
        if message.purpose in REPLIES
        else Queued(recall_messages.recall_note(message, now=now))
        if message.recall_id is not None
        else _look_again(message, known)
        for message in messages
    }


class LineNow(NamedTuple):
    """What `still_holds` reads of a stored line. Plain rows: to make objects of them, six to a message, took
    as long as all other reading.
    """

    patient_id: int
    kind: str
    active: bool
    supply_ends_on: date
    ask_from: date
    refill_on: date
    paused_from: date | None
    paused_until: date | None


@dataclass(frozen=True, slots=True)
class _Known:
    """What a batch of messages is looked at again with."""

    now: datetime
    terms: Schedule
    reasons: dict[int, list[MessageReason]]
    occasions: dict[int, list[MessageOccasion]]
    holding: set[tuple[int, str, str]]
    plans: dict[tuple[int, str], LineNow]
    reaches: dict[int, Reach]
    days: dict[int, list[date]]


def _lines_now(patients: Collection[int]) -> dict[tuple[int, str], LineNow]:
    rows = PlanLine.objects.filter(patient__in=patients).order_by().values_list(*LineNow._fields)
    return {(line.patient_id, line.kind): line for line in map(LineNow._make, rows)}


def _known(messages: Sequence[Message], *, now: datetime) -> _Known:
    reasons: dict[int, list[MessageReason]] = {message.pk: [] for message in messages}
    standing = MessageReason.objects.filter(message__in=messages, stands=True)
    for reason in standing.annotate(is_answered=answered(today=now.date())):
        reasons[reason.message_id].append(reason)
    found: dict[int, list[MessageOccasion]] = {message.pk: [] for message in messages}
    for occasion in MessageOccasion.objects.filter(message__in=messages, stands=True):
        found[occasion.message_id].append(occasion)
    terms = schedule()
    patients = {message.patient_id for message in messages}
    with_occasions = [message for message in messages if found[message.pk]]
    return _Known(
        now,
        terms,
        reasons,
        found,
        occasions.holding(with_occasions, terms=terms) if with_occasions else set(),
        _lines_now(patients),
        reaches(patients, tuple(ADDRESS)),
        days_before(messages),
    )


def _look_again(message: Message, known: _Known) -> Queued:
    patient, how = message.patient, known.reaches[message.patient_id]
    steps, kinds, fallen = _steps_left(message, known)
    holding = [
        occasion
        for occasion in known.occasions[message.pk]
        if (patient.pk, occasion.purpose, occasion.key) in known.holding
        and may_write(how.said, message.channel, occasion.purpose)
    ]
    also = [Purpose(occasion.purpose) for occasion in holding]
    asks = message.question is None or message.question.state == QuestionState.OPEN
    kinds = kinds if asks else []
    kinds += [occasion.key.partition(":")[0] for occasion in holding if occasion.purpose == Purpose.SWAP]
    may_go = (
        (message.valid_until is None or message.valid_until > message.day)  # type: ignore[attr-defined]
        and may_send(known.now, patient.time_zone, hours_on=known.terms.hours_on)
        and message.channel in how.reachable
        and patient.status == PatientStatus.ON_THERAPY
        and has_room(
            known.days.get(message.pk, ()), day=message.day, per_week=known.terms.on(message.day).per_week
        )
    )
    if not (may_go and ((steps and asks) or also)):
        return Queued(None, fallen=tuple(reason.pk for reason in known.reasons[message.pk]))
    step = max(steps, key=lambda step: step.rank).name if steps and asks else ""
    ordered = tuple(purpose for purpose in URGENT_FIRST if purpose in also)
    note = Note(
        key=str(message.public_id),
        address=getattr(patient, ADDRESS[message.channel]),
        given_name=patient.given_name,
        language=patient.language,
        step=step,
        phone=patient.location.phone,
        purpose="" if step else ordered[0].value,
        also=tuple(one.value for one in (ordered if step else ordered[1:])),
        kinds=tuple(sorted(set(kinds))) if how.detailed else (),
    )
    is_mail = message.channel == Channel.MAIL
    return Queued(note, message.question_id if step else None, tuple(fallen), stops_by_link=is_mail)


def _steps_left(message: Message, known: _Known) -> tuple[list[ReminderStep], list[str], list[int]]:
    """The steps that still hold and may be written about, their kinds, and the reasons that fell."""
    steps: list[ReminderStep] = []
    kinds: list[str] = []
    fallen: list[int] = []
    said = known.reaches[message.patient_id].said
    for reason in known.reasons[message.pk]:
        line = known.plans.get((reason.patient_id, reason.kind))
        if (
            line is not None
            and _still_to_say(message, reason)
            and still_holds(reason, line, day=message.day)
            and may_write(said, message.channel, of_step(reason.step))
        ):
            steps.append(STEPS[reason.step])
            kinds.append(reason.kind)
        else:
            fallen.append(reason.pk)
    return steps, kinds, fallen


def _still_to_say(message: Message, reason: MessageReason) -> bool:
    """Whether the patient has not answered meanwhile: about this part, or about any, unless staff or the
    question itself asks once more.
    """
    if getattr(reason, "is_answered", False):
        return False
    return reason.step == ASK_AGAIN.name or not getattr(message, "spoke", False)


def still_holds(reason: MessageReason, line: LineNow, *, day: date) -> bool:
    """Whether the line is still at the refill and the step it was queued for."""
    if not line.active or abs((line.supply_ends_on - reason.supply_ends_on).days) >= SAME_REFILL_DAYS:
        return False
    refill = Refill(line.ask_from, line.refill_on, line.paused_from, line.paused_until)
    reached = step_reached(refill, day=day)
    return reached is not None and reached.rank >= STEPS[reason.step].rank
