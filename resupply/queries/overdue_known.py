"""What is known about reaching the patients of overdue lines: what rows show, and what `rules.next_steps`
asks.

A fixed number of queries, whatever the number of lines. `last_contacts` alone may be asked of a past day.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from itertools import islice
from typing import NamedTuple, TypeVar

from django.db.models import Case, F, Value, When

from resupply.models import (
    Act,
    BackOrder,
    Channel,
    Contact,
    LineAct,
    MessageReason,
    MessageState,
    Outcome,
    PlanLine,
    RefillAnswer,
)
from resupply.queries.answers import NO_STANDS, standing_noes, standing_yeses
from resupply.queries.consents import bad_addresses, said_by
from resupply.queries.failures import did_not_arrive
from resupply.queries.names import staff_name
from resupply.queries.same_refill import is_same_refill
from resupply.rules.consents import newest as newest_word
from resupply.rules.next_steps import Known, Line, NextStep, next_step
from resupply.rules.purposes import Purpose

L = TypeVar("L", bound=PlanLine)

BATCH = 500
"""Lines whose records are held at once."""
WRITTEN = (Channel.MAIL, Channel.TEXT)
UNDER_WAY = (MessageState.WAITING, MessageState.SENDING, MessageState.SENT)
_TRIED = frozenset({Outcome.NO_ANSWER.value, Outcome.LEFT_WORD.value})


class Way(StrEnum):
    """How the last contact went."""

    MESSAGE = "message"
    CONTACT = "contact"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True)
class LastContact:
    """The newest contact with a patient: a message that went out, a call or visit, an answer.

    `what`: the channel of a message, the outcome of a contact, the wish of an answer.
    """

    on: date
    way: Way
    what: str


@dataclass(frozen=True, slots=True)
class Looked:
    """What a row of the list says besides its dates."""

    step: NextStep
    last: LastContact | None
    assigned_to: str = ""
    """Who looks after it, by name; empty: nobody."""
    snoozed_until: date | None = None
    snooze_reason: str = ""
    note: str = ""
    known: Known = field(default_factory=Known)


class _Sent(NamedTuple):
    patient: int
    kind: str
    ends: date
    state: str
    """How far it has come; failed, too, where it came back."""
    day: date
    message: int
    channel: str


def looked_up(lines: Sequence[PlanLine], *, today: date) -> dict[int, Looked]:
    """What is known about each line, by its key; the lines come with their patients. Ten queries."""
    found = _Records({line.patient_id for line in lines}, today)
    return {line.pk: found.look(line) for line in lines}


def each_looked_up(lines: Iterable[L], *, today: date) -> Iterator[tuple[L, Looked]]:
    """Any number of lines with what is known of them, some hundred at a time: memory stays flat."""
    waiting = iter(lines)
    while batch := list(islice(waiting, BATCH)):
        looked = looked_up(batch, today=today)
        yield from ((line, looked[line.pk]) for line in batch)


class _Records:
    """The records of some patients, by patient."""

    def __init__(self, patients: Collection[int], today: date) -> None:
        self.today = today
        self.said = said_by(patients)
        self.bad = _bad_addresses(patients)
        self.sent = _grouped(_messages(patients, today))
        self.contacts = _contacts(patients, today)
        self.answers = _answers(patients, today)
        self.unread = dict(
            RefillAnswer.objects.filter(
                patient__in=patients, needs_person=True, handled_at=None, voided_at=None
            )
            .order_by("-contacted_on")
            .values_list("patient", "contacted_on")
        )
        yes = standing_yeses(today=today).filter(standing_yes__patient__in=patients)
        self.yes = {
            (patient, kind): on
            for patient, kind, on in yes.values_list("answer__patient", "kind", "answer__contacted_on")
        }
        no = standing_noes(today=today).filter(answer__patient__in=patients)
        self.no = {
            (patient, kind): on + NO_STANDS
            for patient, kind, on in no.values_list("answer__patient", "kind", "answer__contacted_on")
        }
        self.orders = _orders(patients)
        self.acts = _acts(patients)

    def look(self, line: PlanLine) -> Looked:
        known = self._known(line)
        acts = [
            act
            for act in self.acts.get((line.patient_id, line.kind), ())
            if is_same_refill(act.supply_ends_on, line.supply_ends_on)
        ]
        assigned = next((act for act in acts if act.act == Act.ASSIGN), None)
        note = next((act for act in acts if act.act == Act.NOTE), None)
        snooze = max(
            (act for act in acts if act.act == Act.SNOOZE and act.until and act.until > self.today),
            key=lambda act: act.until or self.today,
            default=None,
        )
        return Looked(
            step=next_step(Line(line.ask_from, line.covered_from), known, today=self.today),
            last=_last(
                self.sent.get(line.patient_id, ()),
                self.contacts.get(line.patient_id, ()),
                self.answers.get(line.patient_id),
            ),
            assigned_to=staff_name(assigned.assigned_to if assigned else None),
            snoozed_until=snooze.until if snooze else None,
            snooze_reason=snooze.bulk.note if snooze else "",
            note=note.bulk.note if note else "",
            known=known,
        )

    def _known(self, line: PlanLine) -> Known:
        patient, key = line.patient, (line.patient_id, line.kind)
        words = {
            way: newest_word(self.said.get(patient.pk, ()), way, Purpose.QUESTION) for way in Channel.values
        }
        says = {channel: word.granted if word else None for channel, word in words.items()}
        bad_mail = self.bad.get((patient.pk, patient.email))
        bad_text = self.bad.get((patient.pk, patient.phone))
        by_mail = patient.email and says[Channel.MAIL] and not bad_mail
        may = bool(by_mail or (patient.phone and says[Channel.TEXT] and not bad_text))
        about = {
            sent.message: sent
            for sent in self.sent.get(patient.pk, ())
            if sent.kind == line.kind
            and sent.state in UNDER_WAY
            and is_same_refill(sent.ends, line.supply_ends_on)
        }
        since = [row for row in self.contacts.get(patient.pk, ()) if row.on >= line.ask_from]
        newest = self.contacts.get(patient.pk, [None])[0]
        answer = self.answers.get(patient.pk)
        return Known(
            unread_on=self.unread.get(patient.pk),
            yes_on=self.yes.get(key),
            not_now_until=self.no.get(key),
            back_order=key in self.orders,
            expected_on=self.orders.get(key),
            spoke_on=answer.contacted_on if answer else None,
            has_mail=bool(patient.email) or bool(patient.phone and says[Channel.TEXT]),
            may_message=may,
            mail_refused=not says[Channel.TEXT] and says[Channel.MAIL] is False,
            failed_on=(None if may else bad_mail or bad_text) or _failed_on(self.sent.get(patient.pk, ())),
            has_phone=bool(patient.phone),
            may_call=says[Channel.PHONE] is not False,
            wrong_number_on=newest.on if newest and newest.outcome == Outcome.WRONG_NUMBER else None,
            asked=len(about),
            asked_on=max((sent.day for sent in about.values()), default=None),
            call_on=newest.again_on if newest else None,
            tried=sum(row.outcome in _TRIED for row in since),
        )


def last_contacts(patients: Collection[int], *, by: date) -> dict[int, LastContact]:
    """The newest contact with each patient up to a day. Three queries."""
    sent, contacts = _grouped(_messages(patients, by)), _contacts(patients, by)
    answers = _answers(patients, by)
    found = {pk: _last(sent.get(pk, ()), contacts.get(pk, ()), answers.get(pk)) for pk in patients}
    return {pk: last for pk, last in found.items() if last is not None}


def _last(
    sent: Iterable[_Sent], contacts: Sequence[Contact], answer: RefillAnswer | None
) -> LastContact | None:
    ways = [LastContact(row.day, Way.MESSAGE, row.channel) for row in sent if row.state == MessageState.SENT]
    if contacts:
        ways.append(LastContact(contacts[0].on, Way.CONTACT, contacts[0].outcome))
    if answer is not None:
        ways.append(LastContact(answer.contacted_on, Way.ANSWER, answer.wish))
    return max(ways, key=lambda way: (way.on, way.way is Way.ANSWER), default=None)


def _failed_on(sent: Iterable[_Sent]) -> date | None:
    """The day of the newest message that left the queue, if it could not be delivered."""
    ended = [row for row in sent if row.state in (MessageState.SENT, MessageState.FAILED)]
    newest = max(ended, key=lambda row: (row.day, row.message), default=None)
    return newest.day if newest and newest.state == MessageState.FAILED else None


def _bad_addresses(patients: Collection[int]) -> dict[tuple[int, str], date]:
    """Addresses that a carrier said do not exist, with the day it did; nobody has confirmed them since."""
    rows = bad_addresses().filter(patient__in=patients)
    return {(row.patient_id, row.address): row.since.date() for row in rows}


def _messages(patients: Collection[int], today: date) -> Iterable[_Sent]:
    rows = MessageReason.objects.filter(
        patient__in=patients,
        message__channel__in=WRITTEN,
        message__day__lte=today,
        message__state__in=[*UNDER_WAY, MessageState.FAILED],
    )
    state = Case(When(did_not_arrive("message__"), then=Value(MessageState.FAILED)), default="message__state")
    fields = ("patient", "kind", "supply_ends_on", state, "message__day", "message", "message__channel")
    return (_Sent(*row) for row in rows.values_list(*fields))


def _grouped(rows: Iterable[_Sent]) -> dict[int, list[_Sent]]:
    groups: dict[int, list[_Sent]] = defaultdict(list)
    for row in rows:
        groups[row.patient].append(row)
    return groups


def _contacts(patients: Collection[int], today: date) -> dict[int, list[Contact]]:
    """Standing contacts by patient, the newest first."""
    rows = Contact.objects.filter(patient__in=patients, voided_at=None, on__lte=today)
    groups: dict[int, list[Contact]] = defaultdict(list)
    for row in rows.only("patient", "on", "outcome", "again_on").order_by("-on", "-pk"):
        groups[row.patient_id].append(row)
    return groups


def _answers(patients: Collection[int], today: date) -> dict[int, RefillAnswer]:
    """The newest standing answer of each patient."""
    rows = RefillAnswer.objects.filter(patient__in=patients, voided_at=None, contacted_on__lte=today)
    rows = rows.order_by("patient_id", "-answered_at", "-pk").distinct("patient_id")
    return {row.patient_id: row for row in rows.only("patient", "contacted_on", "wish")}


def _orders(patients: Collection[int]) -> dict[tuple[int, str], date | None]:
    """The day open back orders are expected on, by patient and kind; of several the first that is known."""
    rows = BackOrder.objects.filter(patient__in=patients, filled_by=None, voided_at=None)
    ordered = rows.order_by(F("expected_on").desc(nulls_first=True))  # the last one of a kind is kept
    return {(row.patient_id, row.kind): row.expected_on for row in ordered}


def _acts(patients: Collection[int]) -> dict[tuple[int, str], list[LineAct]]:
    """Standing acts on lines, the newest first."""
    rows = LineAct.objects.filter(patient__in=patients, voided_at=None).select_related("bulk", "assigned_to")
    groups: dict[tuple[int, str], list[LineAct]] = defaultdict(list)
    for row in rows.order_by("-pk"):
        groups[row.patient_id, row.kind].append(row)
    return groups
