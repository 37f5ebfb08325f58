"""Reminders into the outbox: what is due, as messages with their reasons.

The database is asked what is due, so it does not matter how often or by how many this runs, or how long it
did not: a step is written about once (`MessageReason`), any other occasion once (`MessageOccasion`), a
patient once a day over all channels (`Message`), and only the highest step reached counts. All are unique
constraints; of two sweeps at once, the second waits for the first and adds nothing.

All that is due for a patient on a day goes into one message, on the channel that `rules.consents.choose`
names; what may not go on that channel waits. Right before it goes out everything is looked at again
(`queries.queued`): consent, cap, hours, and whether each reason still holds.

Where patients may answer by link (`by_link`), a message about refills carries a refill question: the open
one, or a new one about the lines that one delivery serves. A question nobody answers is asked once more.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    Channel,
    Message,
    MessageOccasion,
    MessageReason,
    Patient,
    PlanLine,
    QuestionPart,
    QuestionState,
    RefillQuestion,
)
from resupply.queries import occasions
from resupply.queries import questions as question_queries
from resupply.queries.consents import reaches
from resupply.queries.message_terms import counting, schedule
from resupply.queries.occasions import Occasion
from resupply.queries.reminders import DueLine, due_lines, windows
from resupply.rules.consents import choose
from resupply.rules.message_terms import WEEK, MessageTerms
from resupply.rules.purposes import Purpose, of_step
from resupply.rules.questions import EXPIRES_AFTER, Next, next_step
from resupply.rules.reminders import ASK_AGAIN, Window, next_window
from resupply.services import plans
from resupply.services.errors import Refused

PURPOSE = "refill"
QUESTION = "refill_question"


def enqueue_due(
    *,
    now: datetime,
    by_link: bool = False,
    channels: Collection[str] = (Channel.MAIL,),
    limit: int = 1000,
) -> int:
    """Queue a message for every patient with something new to say, and return how many were added.

    A message belongs to the patient's day on which it may next be sent: within sending hours today, at night
    the coming day. `channels` are those that this clinic can send on, the usual one first. A transaction
    writes at most `limit` lines.
    """
    terms = schedule()
    openings = windows(now=now, terms=terms)
    added = 0
    for day in sorted({window.day for window in openings.values()}):
        zones = {zone: window for zone, window in openings.items() if window.day == day}
        run = _Run(day, zones, terms.on(day), tuple(channels), by_link, now)
        after = 0
        while lines := due_lines(
            day=day, zones=zones.keys(), after=after, limit=limit, per_week=run.terms.per_week,
            channels=run.channels,
        ):  # fmt: skip
            added += _enqueue(lines, run)
            after = lines[-1].patient_id
        if by_link:
            added += _repeat(run, limit=limit)
        added += _tell(run, limit=limit)
    return added


@dataclass(frozen=True, slots=True)
class _Run:
    """What one day's messages are written with; `openings` by zone."""

    day: date
    openings: Mapping[str, Window]
    terms: MessageTerms
    channels: tuple[str, ...]
    by_link: bool
    now: datetime

    def message(self, patient_id: int, zone: str, channel: str, purpose: str) -> Message:
        """A message of the day, not saved."""
        return _message(patient_id, self.openings[zone], self.now, purpose, channel)


def ask_again(
    question: RefillQuestion,
    *,
    by: AbstractBaseUser | None,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> Message:
    """Queue one more message of a question at a person's wish; one that has expired is asked anew.

    Raises Refused: `not_open`, `no_mail`, `nothing_left`, `written_today`, `week_is_full`.
    """
    patient, terms = question.patient, schedule()
    window = next_window(now, patient.time_zone, hours_on=terms.hours_on)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        question.refresh_from_db()
        if question.state not in {QuestionState.OPEN, QuestionState.EXPIRED}:
            raise Refused("not_open", "This question has been answered or withdrawn already.")
        how = reaches([patient.pk], channels)[patient.pk]
        way = choose([Purpose.QUESTION], how.said, reachable=how.reachable, preferred=how.preferred)
        if way is None:
            raise Refused("no_mail", "There is no address with a yes to e-mail on record. Call the patient.")
        lines = question_queries.askable([patient.pk], day=window.day).get(patient.pk)
        if not lines:
            raise Refused("nothing_left", "Nothing is to be asked now: it was answered, given or is not due.")
        check_week(patient, window.day, terms.on(window.day))
        MessageReason.objects.filter(patient=patient, step=ASK_AGAIN.name, stands=True).update(stands=False)
        added = _write(
            {patient.pk: _message(patient.pk, window, now, QUESTION, way.channel)},
            {patient.pk: lines},
            now=now,
        )
        if not added:
            raise Refused("written_today", "This patient has a message of today already. Ask again tomorrow.")
    return added[patient.pk]


def check_week(patient: Patient, day: date, terms: MessageTerms) -> None:
    """Refuse one message more than the terms allow in a week; the caller holds the patient's lock."""
    near = counting().filter(patient=patient, day__gt=day - WEEK, day__lt=day + WEEK).exclude(day=day)
    if near.count() >= terms.per_week:
        raise Refused(
            "week_is_full",
            f"This patient has {terms.per_week} messages within a week already. Call, or wait some days.",
        )


@transaction.atomic
def _enqueue(lines: Iterable[DueLine], run: _Run) -> int:
    """Write the messages of whole patients; a patient who got a message of that day meanwhile is left out."""
    by_patient = {patient: list(group) for patient, group in groupby(lines, key=lambda line: line.patient_id)}
    asked = question_queries.askable(by_patient, day=run.day) if run.by_link else {}
    if run.by_link:  # a line that opens after the delivery that is asked about waits for its own question
        kinds = {patient: {line.kind for line in found} for patient, found in asked.items()}
        by_patient = {
            patient: now_due
            for patient, found in by_patient.items()
            if (now_due := [line for line in found if line.kind in kinds.get(patient, ())])
        }
    others = _others(by_patient, run)
    how = reaches(by_patient, run.channels)
    wanted, told = {}, {}
    for patient, group in by_patient.items():
        also = others.get(patient, [])
        purposes = [*(of_step(line.step) for line in group), *(one.purpose for one in also)]
        reached = how[patient]
        way = choose(purposes, reached.said, reachable=reached.reachable, preferred=reached.preferred)
        if way is None:
            continue
        by_patient[patient] = group = [line for line in group if of_step(line.step) in way.purposes]
        told[patient] = [one for one in also if one.purpose in way.purposes]
        purpose = (QUESTION if run.by_link else PURPOSE) if group else way.purposes[0].value
        wanted[patient] = run.message(patient, lines_zone(lines, patient), way.channel, purpose)
    added = _add(list(wanted.values()))
    _add_reasons(
        MessageReason(
            message=message,
            patient_id=patient,
            kind=line.kind,
            step=line.step,
            supply_ends_on=line.supply_ends_on,
        )
        for patient, message in added.items()
        for line in by_patient[patient]
    )
    _add_occasions(added, told)
    if run.by_link:
        carrying = {patient: message for patient, message in added.items() if by_patient[patient]}
        _carry(carrying, asked, now=run.now)
    return len(added)


def lines_zone(lines: Iterable[DueLine], patient: int) -> str:
    """The zone of a patient among lines."""
    return next(line.zone for line in lines if line.patient_id == patient)


def _others(patients: Collection[int], run: _Run) -> dict[int, list[Occasion]]:
    """What else is new about patients who are written to anyway."""
    return occasions.due(
        day=run.day, zones=run.openings.keys(), terms=run.terms, channels=run.channels, patients=patients
    )


@transaction.atomic
def _tell(run: _Run, *, limit: int) -> int:
    """Write about occasions to patients to whom no refill was to be written about."""
    found = occasions.due(
        day=run.day, zones=run.openings.keys(), terms=run.terms, channels=run.channels, limit=limit
    )
    how = reaches(found, run.channels)
    wanted, told = {}, {}
    for patient, news in found.items():
        reached = how[patient]
        purposes = [one.purpose for one in news]
        way = choose(purposes, reached.said, reachable=reached.reachable, preferred=reached.preferred)
        if way is None:
            continue
        told[patient] = [one for one in news if one.purpose in way.purposes]
        wanted[patient] = run.message(patient, news[0].zone, way.channel, way.purposes[0].value)
    added = _add(list(wanted.values()))
    _add_occasions(added, told)
    return len(added)


def _add_occasions(added: Mapping[int, Message], told: Mapping[int, list[Occasion]]) -> None:
    MessageOccasion.objects.bulk_create(
        (
            MessageOccasion(
                message=message, patient_id=patient, purpose=one.purpose.value, key=one.key, on=one.on
            )
            for patient, message in added.items()
            for one in told.get(patient, ())
        ),
        ignore_conflicts=True,
    )


def _repeat(run: _Run, *, limit: int) -> int:
    """Ask once more what nobody answered."""
    day, second_after = run.day, timedelta(days=run.terms.second_ask_days)
    waiting = question_queries.to_repeat(
        day=day, zones=run.openings.keys(), sent_by=day - second_after, limit=limit,
        per_week=run.terms.per_week, channels=run.channels,
    )  # fmt: skip
    again = {
        row.patient_id: row.zone
        for row in waiting
        if next_step(
            row.asked_at.date(), messages=row.sent, last_on=row.last_on, day=day, second_after=second_after
        )
        is Next.AGAIN
    }
    lines = question_queries.askable(again, day=day)
    how = reaches(lines, run.channels)
    wanted = {}
    for patient in lines:
        reached = how[patient]
        way = choose(
            [Purpose.QUESTION], reached.said, reachable=reached.reachable, preferred=reached.preferred
        )
        if way is not None:
            wanted[patient] = run.message(patient, again[patient], way.channel, QUESTION)
    with transaction.atomic():
        # An earlier question about the same refill may have been asked once more too: this one is another.
        MessageReason.objects.filter(patient__in=wanted, step=ASK_AGAIN.name, stands=True).update(
            stands=False
        )
        return len(_write(wanted, lines, now=run.now))


def _write(
    wanted: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime
) -> dict[int, Message]:
    """Messages that ask once more about lines, by patient, with their question."""
    added = _add(list(wanted.values()))
    _add_reasons(
        MessageReason(
            message=message,
            patient_id=patient,
            kind=line.kind,
            step=ASK_AGAIN.name,
            supply_ends_on=line.supply_ends_on,
        )
        for patient, message in added.items()
        for line in lines[patient]
    )
    _carry(added, lines, now=now)
    return added


def _add(wanted: Collection[Message]) -> dict[int, Message]:
    """Write messages, at most one a patient and day; return those that are new, by patient."""
    Message.objects.bulk_create(wanted, ignore_conflicts=True)
    ours = Message.objects.filter(public_id__in=[message.public_id for message in wanted])
    return {message.patient_id: message for message in ours}


def _add_reasons(reasons: Iterable[MessageReason]) -> None:
    MessageReason.objects.bulk_create(reasons, ignore_conflicts=True)


def _carry(messages: Mapping[int, Message], lines: Mapping[int, list[PlanLine]], *, now: datetime) -> None:
    """Give each message its patient's open question, or a new one; these lines are now among its parts."""
    RefillQuestion.objects.bulk_create(
        (
            RefillQuestion(patient_id=patient, asked_at=now, expires_at=now + EXPIRES_AFTER)
            for patient in messages
        ),
        ignore_conflicts=True,  # the patient has an open one
    )
    rows = RefillQuestion.objects.filter(patient__in=messages, state=QuestionState.OPEN)
    questions = dict(rows.values_list("patient", "pk"))
    QuestionPart.objects.bulk_create(
        (
            QuestionPart(
                question_id=questions[patient],
                kind=line.kind,
                part_code=line.part_code,
                supply_ends_on=line.supply_ends_on,
            )
            for patient in messages
            for line in lines[patient]
        ),
        update_conflicts=True,
        unique_fields=["question", "kind"],
        update_fields=["part_code", "supply_ends_on"],
    )
    for patient, message in messages.items():
        message.question_id = questions[patient]
    Message.objects.bulk_update(messages.values(), ["question"])


def _message(
    patient_id: int, window: Window, now: datetime, purpose: str, channel: str = Channel.MAIL
) -> Message:
    return Message(
        patient_id=patient_id,
        channel=channel,
        purpose=purpose,
        day=window.day,
        created_at=now,
        not_before=window.opens_at,
        expires_at=window.closes_at,
    )
