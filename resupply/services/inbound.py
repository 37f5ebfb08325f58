"""Texts that come in: kept as they came, read, and acted on at once where they ask to stop.

1. A text is kept once, by the gateway's own name for it: handed over twice, it is one.
2. A stop ends all texts to every patient with that number, in the same transaction; one confirmation is
   queued. Patients share phones, and whoever holds this one does not want it written to.
3. "Start" gives back what a stop by text took, and only that: the number says who writes as well as it did
   for the stop, and the yes it goes back to was given before. Anybody else who writes "start" has never
   agreed to be written to, so a person asks.
4. "Help" is answered and changes nothing.
5. A bare yes or no is no answer to a refill question: it does not say for which part, nor whether the
   equipment is still used. It is kept for a person, and the link is sent again.
6. Everything else waits for a person.

Replies go to numbers of patients only, and at most `REPLIES_A_DAY` to one number: two programs could
otherwise answer each other for ever. The words of a text never reach a log.
"""

import logging
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.delivery.texts import takes_texts, textable
from resupply.models import (
    Channel,
    Consent,
    DeliveryReport,
    DeliveryState,
    InboundText,
    Message,
    Patient,
)
from resupply.queries import inbound as inbound_queries
from resupply.rules.purposes import Purpose
from resupply.rules.replies import Meaning, Reading, Reply, read
from resupply.services import bounces, optouts, plans
from resupply.services.errors import Refused
from resupply.services.records import check_reason, local_day, stamp

log = logging.getLogger(__name__)

STOPPED_BY_TEXT = "asked to stop by text message"
STARTED_BY_TEXT = "asked by text message to be written to again"
REPLIES_A_DAY = 5
LASTS = {Reply.STOPPED: timedelta(minutes=5)}
"""How long a reply is worth sending. A confirmation of an opt-out that comes later than five minutes after it
may not count as one (47 CFR 64.1200(a)(12), from memory)."""
_USUAL = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Came:
    """A text as it is kept; `is_new` is False where it was there already."""

    text: InboundText
    is_new: bool


def receive(*, event_id: str, number: str, body: str, now: datetime) -> Came:
    """Keep a text and do what it asks. `number` is E.164 or a short code, `body` as it came."""
    with transaction.atomic():
        text, is_new = InboundText.objects.get_or_create(
            event_id=event_id,
            defaults={
                "from_number": number,
                "body": _storable(body),
                "received_at": now,
                "meaning": Meaning.OTHER.value,
            },
        )
        if is_new:
            patients = patients_of(number)
            text.patients.set(patients)
            _act(text, read(body), patients, now=now)
    if is_new:
        log.info("a text came in: %s", text.meaning)
    return Came(text, is_new)


def patients_of(number: str) -> list[Patient]:
    """The patients with this number on record, however it is spelled there."""
    return [patient for patient in inbound_queries.candidates(number) if _is(patient.phone, number)]


def handle(text: InboundText, *, note: str, by: AbstractBaseUser | None, now: datetime) -> InboundText:
    """A person saw to a text. Raises Refused: `already_handled`, `reason_missing`, `reason_long`."""
    note = check_reason(note)
    with transaction.atomic():
        text = InboundText.objects.select_for_update().get(pk=text.pk)
        if text.handled_at:
            raise Refused("already_handled", "Somebody has handled this already.")
        text.handled_at, text.handled_note = now, note
        text.handled_by_id = by.pk if by is not None else None
        text.save(update_fields=["handled_at", "handled_by", "handled_note"])
    return text


def record_report(*, event_id: str, reference: str, state: str, code: str, now: datetime) -> bool | None:
    """Keep what a gateway says became of a text; None: no text of ours has this reference.

    True where it is new: twice told is once recorded. Raises Refused `state`.
    """
    if state not in DeliveryState.values:
        raise Refused("state", "Choose one of the listed states.", "state")
    with transaction.atomic():
        sent = Message.objects.filter(channel=Channel.TEXT, provider_ref=reference).order_by("-pk").first()
        if sent is None:
            return None
        _, is_new = DeliveryReport.objects.get_or_create(
            event_id=event_id,
            defaults={"message": sent, "state": state, "detail": code, "received_at": now},
        )
        if is_new and state == DeliveryState.DELIVERED:
            bounces.record_delivered(sent, now=now)
        elif is_new:
            bounces.record_bounce(sent, detail=code or "not delivered", now=now)
    return is_new


def _act(text: InboundText, reading: Reading, patients: Sequence[Patient], *, now: datetime) -> None:
    """Do what a text asks and say whether a person is to read it; the caller holds a transaction."""
    plans.lock_patients([patient.pk for patient in patients])
    text.meaning = reading.meaning.value
    text.needs_person = not (reading.is_keyword and patients)
    if reading.meaning == Meaning.STOP:
        if _stop(patients, now=now):
            _reply(text, Reply.STOPPED, patients, now=now)
    elif reading.meaning == Meaning.START:
        if _start(patients, now=now):
            _reply(text, Reply.STARTED, patients, now=now)
        else:
            text.needs_person = True
    elif reading.meaning == Meaning.HELP:
        _reply(text, Reply.HELP, patients, now=now)
        text.needs_person = text.reply is None
    else:
        text.needs_person = True
        if reading.meaning in {Meaning.YES, Meaning.NO}:
            _send_link(text, patients, now=now)
    text.save(update_fields=["meaning", "needs_person", "reply"])


def _stop(patients: Sequence[Patient], *, now: datetime) -> bool:
    """End texts to these patients; False where they had all ended before."""
    newest = inbound_queries.newest_text_consents(patient.pk for patient in patients)
    going = [patient for patient in patients if not _is_stopped(newest.get(patient.pk))]
    for patient in going:
        optouts.stop(patient, channel=Channel.TEXT, how=STOPPED_BY_TEXT, by=None, now=now)
    return bool(going)


def _is_stopped(newest: Consent | None) -> bool:
    return newest is not None and not newest.granted and not newest.purpose


def _start(patients: Sequence[Patient], *, now: datetime) -> bool:
    """Give back what a stop by text took; False where there is nothing to give back."""
    newest = inbound_queries.newest_text_consents(patient.pk for patient in patients)
    came_back = False
    for patient in patients:
        stopped = newest.get(patient.pk)
        if stopped is None or stopped.granted or stopped.how != STOPPED_BY_TEXT:
            continue
        before = _before(patient, stopped)
        if not any(row.granted for row in before):
            continue
        for row in before:
            Consent.objects.create(
                patient=patient,
                channel=Channel.TEXT,
                purpose=row.purpose,
                granted=row.granted,
                given_on=local_day(now, patient.time_zone),
                how=STARTED_BY_TEXT,
                **stamp(None, now),
            )
        came_back = True
    return came_back


def _before(patient: Patient, stopped: Consent) -> list[Consent]:
    """What held about texts before a stop, as rows that say it again in their order.

    Stops by text before that one are left out with what they took: a start gave it back in rows of its own.
    """
    rows = Consent.objects.filter(
        patient=patient, channel=Channel.TEXT, voided_at=None, pk__lt=stopped.pk
    ).order_by("-pk")
    newest: dict[str, Consent] = {}
    for row in rows:
        if row.how == STOPPED_BY_TEXT or "" in newest:
            break
        newest.setdefault(row.purpose, row)
    return sorted(newest.values(), key=lambda row: row.pk)


def _send_link(text: InboundText, patients: Sequence[Patient], *, now: datetime) -> None:
    """Send the link of an open question again, to a patient who may be written to."""
    newest = inbound_queries.newest_text_consents((p.pk for p in patients), purpose=Purpose.QUESTION)
    welcome = [patient for patient in patients if patient.pk in newest and newest[patient.pk].granted]
    asked = {row.patient_id for row in inbound_queries.open_questions((p.pk for p in welcome), now=now)}
    if len(asked) == 1:  # two people who share a phone have each their own link: a person sorts it out
        _reply(text, Reply.LINK_AGAIN, [p for p in welcome if p.pk in asked], now=now)


def _reply(text: InboundText, reply: Reply, patients: Sequence[Patient], *, now: datetime) -> None:
    """Queue a reply to the number that wrote, in the language of the first patient with it."""
    if not patients or inbound_queries.replies_lately(text.from_number, now=now) >= REPLIES_A_DAY:
        return
    patient = patients[0]
    text.reply = Message.objects.create(
        patient=patient,
        channel=Channel.TEXT,
        purpose=reply.value,
        address=text.from_number,
        day=local_day(now, patient.time_zone),
        created_at=now,
        not_before=now,
        expires_at=now + LASTS.get(reply, _USUAL),
    )


def _is(phone: str, number: str) -> bool:
    return takes_texts(phone) and textable(phone) == number


def _storable(body: str) -> str:
    """A text without control characters, which a database or a page may not take; line ends stay."""
    kept: Iterable[str] = (
        letter for letter in body if letter == "\n" or unicodedata.category(letter) not in {"Cc", "Cs"}
    )
    return "".join(kept)
