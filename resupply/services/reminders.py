"""Reminders into the outbox: what is due, as messages with their reasons.

The database is asked what is due, so it does not matter how often or by how many this runs, or how long it
did not: a step is written about once (`MessageReason`), any other occasion once (`MessageOccasion`), a
patient once a day over all channels (`Message`), and only the highest step reached counts. All are unique
constraints (`reminder_rows`); of two sweeps at once, the second waits for the first and adds nothing.

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
    Patient,
    PlanLine,
    QuestionState,
    RefillQuestion,
)
from resupply.queries import occasions
from resupply.queries import questions as question_queries
from resupply.queries.consents import reaches
from resupply.queries.message_terms import counting, schedule
from resupply.queries.occasions import Occasion
from resupply.queries.reminders import DueLine, due_lines, windows
from resupply.rules.message_terms import WEEK, MessageTerms
from resupply.rules.purposes import Purpose, of_step
from resupply.rules.questions import Next, next_step
from resupply.rules.reminders import Window, next_window
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.reminder_rows import (
    add_messages,
    add_occasions,
    add_reasons,
    ask_once_more,
    carry,
    new_message,
)

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
        return new_message(patient_id, self.openings[zone], self.now, purpose, channel)


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
        way = how.way([Purpose.QUESTION])
        if way is None:
            raise Refused("no_mail", "There is no address with a yes to e-mail on record. Call the patient.")
        lines = question_queries.askable([patient.pk], day=window.day).get(patient.pk)
        if not lines:
            raise Refused("nothing_left", "Nothing is to be asked now: it was answered, given or is not due.")
        check_week(patient, window.day, terms.on(window.day))
        added = ask_once_more(
            {patient.pk: new_message(patient.pk, window, now, QUESTION, way.channel)},
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
    if run.by_link:
        by_patient = _asked_about(by_patient, asked)
    zones = {patient: group[0].zone for patient, group in by_patient.items()}
    others = _others(by_patient, run)
    how = reaches(by_patient, run.channels)
    wanted, told = {}, {}
    for patient, group in by_patient.items():
        also = others.get(patient, [])
        purposes = [*(of_step(line.step) for line in group), *(one.purpose for one in also)]
        way = how[patient].way(purposes)
        if way is None:
            continue
        by_patient[patient] = group = [line for line in group if of_step(line.step) in way.purposes]
        told[patient] = [one for one in also if one.purpose in way.purposes]
        purpose = (QUESTION if run.by_link else PURPOSE) if group else way.purposes[0].value
        wanted[patient] = run.message(patient, zones[patient], way.channel, purpose)
    added = add_messages(list(wanted.values()))
    add_reasons((added[patient], line, line.step) for patient in added for line in by_patient[patient])
    add_occasions(added, told)
    if run.by_link:
        carrying = {patient: message for patient, message in added.items() if by_patient[patient]}
        carry(carrying, asked, now=run.now)
    return len(added)


def _asked_about(
    by_patient: Mapping[int, list[DueLine]], asked: Mapping[int, list[PlanLine]]
) -> dict[int, list[DueLine]]:
    """Of due lines those in the question: one that opens after the delivery asked about waits for its own."""
    kinds = {patient: {line.kind for line in lines} for patient, lines in asked.items()}
    return {
        patient: now_due
        for patient, lines in by_patient.items()
        if (now_due := [line for line in lines if line.kind in kinds.get(patient, ())])
    }


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
        way = how[patient].way(one.purpose for one in news)
        if way is None:
            continue
        told[patient] = [one for one in news if one.purpose in way.purposes]
        wanted[patient] = run.message(patient, news[0].zone, way.channel, way.purposes[0].value)
    added = add_messages(list(wanted.values()))
    add_occasions(added, told)
    return len(added)


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
        way = how[patient].way([Purpose.QUESTION])
        if way is not None:
            wanted[patient] = run.message(patient, again[patient], way.channel, QUESTION)
    with transaction.atomic():
        return len(ask_once_more(wanted, lines, now=run.now))
