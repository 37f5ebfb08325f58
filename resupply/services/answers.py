"""Answers to a refill: the patient's own yes, not now, or stop asking. It is the record the desk ships from.

No answer is not a yes, and a yes is to this refill alone: who said it, when, by which channel, for which
parts and why they are needed (42 CFR 410.38(d)(4) and the supplier contractors' rules on refill requests). A
later answer about a part replaces the earlier one; nothing is edited, and a mistake is voided.

"Stop asking" is an opt-out besides: from that moment nothing is sent and nobody calls, until the patient says
otherwise. It changes no plan; the patient is locked so that two answers have an order.
"""

from collections.abc import Sequence
from datetime import date, datetime, time
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    AnswerChannel,
    Channel,
    DispenseLine,
    Handover,
    Patient,
    PatientStatus,
    RefillAnswer,
    RefillAnswerItem,
    Wish,
)
from resupply.queries.answers import ANSWER_STANDS
from resupply.rules.zones import zone_named
from resupply.services import plans
from resupply.services.answer_items import NewItem, about_all, check_items, rows_of, says
from resupply.services.contacts import refuse_contact, take_back_refusals
from resupply.services.errors import Refused
from resupply.services.records import check_day, kept_whole, local_day, sent_before, stamp, take_back
from resupply.services.standing import settle

_ALL_CHANNELS = (Channel.MAIL, Channel.TEXT, Channel.PHONE)


def record_answer(
    *,
    patient: Patient,
    wish: str,
    items: Sequence[NewItem] = (),
    channel: str,
    contacted_on: date,
    by: AbstractBaseUser | None,
    now: datetime,
    still_using: bool | None = None,
    answered_by: str = "",
    relation: str = "",
    handover: str = Handover.COLLECT,
    note: str = "",
    is_late: bool = False,
    form_key: UUID | None = None,
) -> RefillAnswer:
    """Record what a patient (or somebody for them, `relation`) said; sent twice with one key, it counts once.

    Without `items`, "not now" and "stop asking" are about every part the patient has. `answered_by` empty:
    the patient. Raises Refused, with `row` where one item is at fault: `wish`, `channel`, `handover`,
    `future`, `before_birth`, `long_ago`, `form_used`, `not_on_therapy`, `not_using`, `no_items`, `not_a_yes`,
    `kind`, `twice`, `need_missing`, `condition`, `quantity`, `left`, `relation_missing`,
    `answered_by_missing`, `too_long`.

    Long for what an answer holds: one list of steps.
    """
    today = local_day(now, patient.time_zone)
    _check_head(wish, channel, handover)
    _check_when(patient, contacted_on, today=today)
    answered_by, relation = _who(patient, answered_by, relation)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if earlier := sent_before(RefillAnswer, form_key, patient):
            if says(earlier, wish, items, note) and earlier.contacted_on == contacted_on:
                return earlier
            raise Refused("form_used", "This form was sent before, with other entries. Open a new one.")
        codes = dict(patient.plan_lines.values_list("kind", "part_code"))
        items = items or about_all(wish, codes)
        check_items(wish, items, codes)
        _check_patient(patient, wish, still_using)
        answer = RefillAnswer.objects.create(
            patient=patient,
            wish=wish,
            still_using=still_using,
            contacted_on=contacted_on,
            answered_at=_answered_at(patient, contacted_on, today=today, now=now),
            channel=channel,
            answered_by=answered_by,
            relation=relation,
            handover=handover,
            note=kept_whole(note, 500, "note"),
            is_late=is_late,
            needs_person=_needs_person(wish, items, still_using, note, is_late),
            form_key=form_key,
            **stamp(by, now),
        )
        RefillAnswerItem.objects.bulk_create(rows_of(answer, items, codes))
        settle([patient.pk])
        if wish == Wish.STOP:
            how = f"said “stop asking” ({AnswerChannel(channel).label.lower()})"
            refuse_contact(patient, _ALL_CHANNELS, on=contacted_on, how=how, by=by, now=now)
    return answer


def void_answer(
    answer: RefillAnswer, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> RefillAnswer:
    """Take an answer back with a reason, and the opt-out that came with it; the answer before counts again.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`, and `in_use` where parts were given from
    it (those are voided first).
    """
    with transaction.atomic():
        plans.lock_patients([answer.patient_id])
        if DispenseLine.objects.filter(answer_item__answer=answer, voided_at=None).exists():
            raise Refused(
                "in_use",
                "Parts were dispensed from this answer: it has to stay. Void the dispense first.",
            )
        take_back(answer, reason=reason, by=by, now=now)
        settle([answer.patient_id])
        if answer.wish == Wish.STOP:
            take_back_refusals(answer.patient, answer.recorded_at, reason=reason, by=by, now=now)
    return answer


def mark_handled(
    answer: RefillAnswer, *, note: str, by: AbstractBaseUser | None, now: datetime
) -> RefillAnswer:
    """Say that a person has seen to an answer, and what was done. Raises Refused `note_missing`, `too_long`,
    `already_void`, `already_handled`.
    """
    note = kept_whole(note, 300, "note")
    if not note:
        raise Refused("note_missing", "Say in a word what was done.", "note")
    with transaction.atomic():
        plans.lock_patients([answer.patient_id])
        answer.refresh_from_db(fields=["voided_at", "handled_at"])
        if answer.is_voided:
            raise Refused("already_void", "This answer has been voided.")
        if answer.handled_at is not None:
            raise Refused("already_handled", "Somebody has handled this answer already.")
        answer.handled_at, answer.handled_note = now, note
        answer.handled_by_id = by.pk if by is not None else None
        answer.save(update_fields=["handled_at", "handled_by", "handled_note"])
    return answer


def _check_head(wish: str, channel: str, handover: str) -> None:
    """Refuse words that are on no list."""
    if wish not in Wish.values:
        raise Refused("wish", "Choose what the patient said: yes, not now, or stop asking.", "wish")
    if channel not in AnswerChannel.values:
        raise Refused("channel", "Choose how the answer came in.", "channel")
    if handover not in Handover.values:
        raise Refused("handover", "Choose whether the parts are collected or shipped.", "handover")


def _check_when(patient: Patient, day: date, *, today: date) -> None:
    """Refuse a day on which nothing was said, or so long ago that it counts no more."""
    check_day(patient, day, today=today, field="contacted_on")
    if day <= today - ANSWER_STANDS:
        raise Refused(
            "long_ago",
            f"An answer counts for {ANSWER_STANDS.days} days. Ask the patient again, or correct the date.",
            "contacted_on",
        )


def _who(patient: Patient, answered_by: str, relation: str) -> tuple[str, str]:
    """Who answered, by name, and the relation to the patient (empty: the patient's own answer)."""
    answered_by = kept_whole(answered_by, 160, "answered_by") or patient.name
    relation = kept_whole(relation, 80, "relation")
    if answered_by.casefold() != patient.name.casefold() and not relation:
        raise Refused(
            "relation_missing",
            "Say how this person is related to the patient: the record has to show who answered.",
            "relation",
        )
    if relation and answered_by.casefold() == patient.name.casefold():
        raise Refused(
            "answered_by_missing", "Enter the name of the person who answered for the patient.", "answered_by"
        )
    return answered_by, relation


def _check_patient(patient: Patient, wish: str, still_using: bool | None) -> None:
    """Parts are for somebody on therapy who uses the equipment; a no is taken from anybody."""
    if wish != Wish.YES:
        return
    patient.refresh_from_db(fields=["status"])
    if patient.status != PatientStatus.ON_THERAPY:
        raise Refused(
            "not_on_therapy",
            "This patient is not on therapy here. Check that it is the right person, or change the status.",
        )
    if still_using is False:
        raise Refused(
            "not_using",
            "Parts are for equipment that is in use. Record “not now” with a note: a person will follow up.",
            "still_using",
        )


def _answered_at(patient: Patient, day: date, *, today: date, now: datetime) -> datetime:
    """The moment of an answer: now, or noon of the earlier day it came on."""
    if day == today:
        return now
    return datetime.combine(day, time(12), zone_named(patient.time_zone))


def _needs_person(
    wish: str, items: Sequence[NewItem], still_using: bool | None, note: str, is_late: bool
) -> bool:
    """Whether somebody has to read an answer: it says more than yes or no."""
    return bool(
        is_late
        or wish == Wish.STOP
        or still_using is False
        or note.strip()
        or any(item.is_alarming for item in items)
    )
