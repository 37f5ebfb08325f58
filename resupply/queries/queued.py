"""Whether what was queued is still to be sent: looked at again right before a message goes out.

Consent, address, hours and cap of the moment count, and each reason (`services.reminder_rows` wrote it) has
to hold still: a step of a line, or an occasion.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from django.db.models import Exists, F

from resupply.models import (
    Channel,
    Message,
    MessageOccasion,
    MessageReason,
    PatientStatus,
    PlanLine,
    QuestionState,
)
from resupply.queries import occasions, recall_messages
from resupply.queries.answers import answered, spoke_lately
from resupply.queries.consents import ADDRESS, Reach, reaches
from resupply.queries.inbound import reply_note
from resupply.queries.message_terms import days_before, schedule
from resupply.queries.same_refill import is_same_refill
from resupply.rules.consents import may_write
from resupply.rules.message_terms import Schedule, has_room
from resupply.rules.purposes import URGENT_FIRST, Purpose, of_step
from resupply.rules.reminders import (
    ASK_AGAIN,
    STEPS,
    Refill,
    ReminderStep,
    may_send,
    step_reached,
)
from resupply.rules.replies import REPLIES
from resupply.rules.sending import Note


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
    return {message.pk: _look_at(message, known) for message in messages}


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


def _look_at(message: Message, known: _Known) -> Queued:
    """A reply, a recall's notice or a reminder: each knows itself what keeps it."""
    if message.purpose in REPLIES:
        return Queued(*reply_note(message, now=known.now))
    if message.recall_id is not None:
        return Queued(recall_messages.recall_note(message, known.terms, now=known.now))
    return _reminder(message, known)


def _reminder(message: Message, known: _Known) -> Queued:
    """A reminder as it goes out: of its steps and occasions, what still holds and may be written about."""
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
    if not line.active or not is_same_refill(line.supply_ends_on, reason.supply_ends_on):
        return False
    refill = Refill(line.ask_from, line.refill_on, line.paused_from, line.paused_until)
    reached = step_reached(refill, day=day)
    return reached is not None and reached.rank >= STEPS[reason.step].rank
