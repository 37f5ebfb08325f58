"""Rows of what the invented patients said, of calls and of messages that went out, until they are stored."""

from dataclasses import dataclass, field
from datetime import date, datetime
from random import Random

from resupply.models import (
    AnswerChannel,
    Consent,
    Contact,
    Handover,
    Message,
    MessageReason,
    Patient,
    PlanLine,
    QuestionPart,
    RefillAnswer,
    RefillAnswerItem,
    RefillQuestion,
    Wish,
)
from resupply.rules.kinds import PLACE, Kind
from resupply.rules.questions import EXPIRES_AFTER
from resupply.rules.tables import part_types
from resupply.services.bounces import note_bad_address
from resupply.services.demo.clinic import Clinic
from resupply.services.demo.dates import weekday_by
from resupply.services.records import stamp

_NEED = {
    Kind.MASK: "Worn, time for a new one",
    Kind.CUSHION: "Worn, time for a new one: stiff at the edges",
    Kind.HEADGEAR: "Worn, time for a new one: slack, pulled tighter every week",
    Kind.TUBING: "Worn, time for a new one",
    Kind.FILTER_DISPOSABLE: "The last one is in use, none left",
}
_USUAL_NEED = "Worn, time for a new one"


@dataclass(frozen=True, slots=True)
class Open:
    """A patient whose refill is open today: the lines that may be asked about, the most pressing first."""

    patient: Patient
    lines: list[PlanLine]
    may_mail: bool


@dataclass(slots=True)
class Said:
    """Rows to write."""

    clinic: Clinic
    today: date
    now: datetime
    answers: list[RefillAnswer] = field(default_factory=list)
    items: list[RefillAnswerItem] = field(default_factory=list)
    contacts: list[Contact] = field(default_factory=list)
    consents: list[Consent] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    reasons: list[MessageReason] = field(default_factory=list)
    questions: list[RefillQuestion] = field(default_factory=list)
    parts: list[QuestionPart] = field(default_factory=list)

    def at(self, day: date, dice: Random) -> datetime:
        """A moment of the working day, in UTC, never later than now."""
        hour = dice.randrange(16, 22)  # morning to afternoon in the rooms' zones
        moment = datetime(day.year, day.month, day.day, hour, dice.randrange(60), tzinfo=self.now.tzinfo)
        return min(moment, self.now)

    def answer(self, patient: Patient, on: date, dice: Random, **over: object) -> RefillAnswer:
        """An answer recorded on its day; a plain yes by telephone unless said otherwise."""
        on = weekday_by(on)
        moment = self.at(on, dice)
        values: dict[str, object] = {
            "wish": Wish.YES,
            "still_using": True,
            "channel": AnswerChannel.PHONE,
            "answered_by": patient.name,
            "handover": Handover.COLLECT,
        }
        row = RefillAnswer(
            patient=patient,
            contacted_on=on,
            answered_at=moment,
            **values | over,
            **stamp(self.clinic.desk, moment),
        )
        self.answers.append(row)
        return row

    def item(self, answer: RefillAnswer, kind: str, code: str, **over: object) -> RefillAnswerItem:
        """One part of an answer, wanted unless said otherwise."""
        wanted = answer.wish == Wish.YES
        values: dict[str, object] = {
            "wanted": wanted,
            "need": _NEED.get(Kind(kind), _USUAL_NEED) if wanted else "",
        }
        row = RefillAnswerItem(
            answer=answer, kind=kind, part_code=code, description=part_types()[code].name, **values | over
        )
        self.items.append(row)
        return row

    def question(self, patient: Patient, asked_at: datetime, lines: list[PlanLine]) -> RefillQuestion:
        """An open question about these lines."""
        row = RefillQuestion(patient=patient, asked_at=asked_at, expires_at=asked_at + EXPIRES_AFTER)
        self.questions.append(row)
        self.parts += [
            QuestionPart(
                question=row, kind=line.kind, part_code=line.part_code, supply_ends_on=line.supply_ends_on
            )
            for line in lines
        ]
        return row

    def write(self) -> None:
        """Store the rows, so many statements however many there are."""
        RefillAnswer.objects.bulk_create(self.answers)
        RefillAnswerItem.objects.bulk_create(sorted(self.items, key=lambda item: PLACE[item.kind]))
        Contact.objects.bulk_create(self.contacts)
        Consent.objects.bulk_create(self.consents)
        RefillQuestion.objects.bulk_create(self.questions)
        QuestionPart.objects.bulk_create(self.parts)
        Message.objects.bulk_create(self.messages)
        for message in self.messages:
            if message.bounced_at is not None:
                note_bad_address(message.pk, message.bounce_detail, now=message.bounced_at)
        MessageReason.objects.bulk_create(self.reasons)
