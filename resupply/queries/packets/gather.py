"""The records behind a packet, each as it stood at the packet's marks."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import TypeVar

from django.contrib.auth import get_user_model
from django.db.models import Max, Model, Q

from resupply.models import (
    AllowanceVersion,
    CatalogueItem,
    CleaningChoice,
    ClinicTermsVersion,
    Coverage,
    Device,
    Dispense,
    DispenseLine,
    Event,
    Fitting,
    FittingTry,
    FollowUp,
    LifeVersion,
    Location,
    Message,
    MessageState,
    Night,
    Order,
    OrderItem,
    Patient,
    Payer,
    Proof,
    QuestionPart,
    RefillAnswer,
    RefillAnswerItem,
    RefillQuestion,
    RefillRuleVersion,
)
from resupply.queries.as_known import Marks, records, standing
from resupply.queries.names import staff_name

TRACKED: tuple[type[Model], ...] = (
    *(AllowanceVersion, CatalogueItem, CleaningChoice, ClinicTermsVersion, Coverage, Device, Dispense),
    *(DispenseLine, Event, Fitting, FittingTry, FollowUp, LifeVersion, Location, Order, OrderItem, Patient),
    *(Payer, Proof, QuestionPart, RefillAnswer, RefillAnswerItem, RefillQuestion, RefillRuleVersion),
)
"""Models whose history a packet reads."""

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, slots=True)
class Kept:
    """What has no history and was written down with the packet: the clinic's name, names of staff by user
    number, numbers of the messages that had gone out, and the highest number of a night.
    """

    clinic: str
    staff: dict[str, str]
    messages: list[int]
    last_night: int


def keep(dispense: Dispense, *, clinic_name: str, known_at: datetime) -> Kept:
    """What to write down now; `staff` holds everybody, and the packet keeps those it names. Three queries."""
    sent = Message.objects.filter(
        question__answer__items__dispense_lines__dispense=dispense,
        state=MessageState.SENT,
        finished_at__lte=known_at,
    )
    nights = Night.objects.filter(patient=dispense.patient_id).aggregate(last=Max("pk"))
    users = get_user_model().objects.order_by("pk")
    return Kept(
        clinic=clinic_name,
        staff={str(user.pk): staff_name(user) for user in users},
        messages=sorted(set(sent.values_list("pk", flat=True))),
        last_night=nights["last"] or 0,
    )


@dataclass
class Records:
    """The records of one packet; what several parts ask for is read once."""

    dispense_id: int
    marks: Marks
    known_at: datetime
    kept: Kept

    @cached_property
    def dispense(self) -> Dispense:
        """The dispense."""
        return self._one(Dispense, self.dispense_id)

    @property
    def day(self) -> date:
        """The date of service."""
        return self.dispense.dispensed_on

    @cached_property
    def lines(self) -> list[DispenseLine]:
        """Its lines in their order, voided ones too."""
        found = records(DispenseLine.objects.filter(dispense=self.dispense_id), self.marks)
        return sorted(found, key=lambda line: line.position)

    @cached_property
    def earlier(self) -> list[DispenseLine]:
        """Standing lines of the same kinds that were given by that day in other dispenses, oldest first."""
        kinds = {line.kind for line in self.lines}
        whose = DispenseLine.objects.filter(dispense__patient=self.dispense.patient_id)
        found = standing(whose.exclude(dispense=self.dispense_id), self.marks)
        by_then = [line for line in found if line.kind in kinds and line.dispense_id in self.given_before]
        return sorted(by_then, key=lambda line: (self.given_before[line.dispense_id].dispensed_on, line.pk))

    @cached_property
    def given_before(self) -> dict[int, Dispense]:
        """The other dispenses of the patient by that day, by number."""
        found = records(Dispense.objects.filter(patient=self.dispense.patient_id), self.marks)
        return {row.pk: row for row in found if row.pk != self.dispense_id and row.dispensed_on <= self.day}

    @cached_property
    def events(self) -> list[Event]:
        """Swaps, losses, pauses and refits by that day."""
        found = standing(Event.objects.filter(patient=self.dispense.patient_id), self.marks)
        return sorted((event for event in found if event.on <= self.day), key=lambda row: (row.on, row.pk))

    @cached_property
    def patient(self) -> Patient:
        """The patient."""
        return self._one(Patient, self.dispense.patient_id)

    @cached_property
    def location(self) -> Location:
        """Where it was given."""
        return self._one(Location, self.dispense.location_id)

    @cached_property
    def items(self) -> dict[int, CatalogueItem]:
        """Items of the shelf that the lines and the fitting name, by number."""
        named = {line.item_id for line in self.lines} | {row.item_id for row in self.tries}
        if self.fitting is not None:
            named.add(self.fitting.item_kept_id)
        found = records(CatalogueItem.objects.filter(pk__in=_numbers(named)), self.marks)
        return {item.pk: item for item in found}

    @cached_property
    def proof(self) -> Proof | None:
        """The standing proof of delivery."""
        found = standing(Proof.objects.filter(dispense=self.dispense_id), self.marks)
        return found[-1] if found else None

    @cached_property
    def order(self) -> Order | None:
        """The order named by the dispense, else the newest in force on its day."""
        found = standing(Order.objects.filter(patient=self.dispense.patient_id), self.marks)
        named = [order for order in found if order.pk == self.dispense.order_id]
        in_force = [
            order
            for order in found
            if order.ordered_on <= self.day and (order.ends_on is None or order.ends_on >= self.day)
        ]
        return max(named or in_force, key=lambda order: (order.ordered_on, order.pk), default=None)

    @cached_property
    def order_items(self) -> list[OrderItem]:
        """What the order names."""
        return records(OrderItem.objects.filter(order=self.order.pk), self.marks) if self.order else []

    @cached_property
    def device(self) -> Device | None:
        """The device supplied last by that day."""
        found = standing(Device.objects.filter(patient=self.dispense.patient_id), self.marks)
        by_then = [device for device in found if device.supplied_on <= self.day]
        return max(by_then, key=lambda device: (device.supplied_on, device.pk), default=None)

    @cached_property
    def fitting(self) -> Fitting | None:
        """The newest fitting by that day that has ended."""
        found = standing(Fitting.objects.filter(patient=self.dispense.patient_id), self.marks)
        by_then = [visit for visit in found if visit.fitted_on <= self.day and visit.outcome]
        return max(by_then, key=lambda visit: (visit.fitted_on, visit.pk), default=None)

    @cached_property
    def tries(self) -> list[FittingTry]:
        """What was tried at that fitting."""
        if self.fitting is None:
            return []
        return records(FittingTry.objects.filter(fitting=self.fitting.pk), self.marks)

    @cached_property
    def answer_items(self) -> list[RefillAnswerItem]:
        """The wishes that the lines were given from."""
        named = _numbers(line.answer_item_id for line in self.lines)
        return records(RefillAnswerItem.objects.filter(pk__in=named), self.marks)

    @cached_property
    def answers(self) -> list[RefillAnswer]:
        """The answers they belong to, whether they still stood or not."""
        named = {item.answer_id for item in self.answer_items}
        return records(RefillAnswer.objects.filter(pk__in=named), self.marks)

    @cached_property
    def questions(self) -> list[RefillQuestion]:
        """The refill questions that these answers answered."""
        found = records(RefillQuestion.objects.filter(patient=self.dispense.patient_id), self.marks)
        answers = {answer.pk for answer in self.answers}
        return [question for question in found if question.answer_id in answers]

    @cached_property
    def parts(self) -> list[QuestionPart]:
        """What they asked about."""
        return records(
            QuestionPart.objects.filter(question__in=[row.pk for row in self.questions]), self.marks
        )

    @cached_property
    def messages(self) -> list[Message]:
        """The messages that carried them and had gone out."""
        return list(Message.objects.filter(pk__in=self.kept.messages).order_by("pk"))

    @cached_property
    def coverages(self) -> list[Coverage]:
        """Who paid since when."""
        return standing(Coverage.objects.filter(patient=self.dispense.patient_id), self.marks)

    @cached_property
    def payers(self) -> dict[int, Payer]:
        """The payers of the coverages and of the lines, by number."""
        named = {row.payer_id for row in self.coverages} | {line.billed_to_id for line in self.lines}
        return {
            payer.pk: payer for payer in records(Payer.objects.filter(pk__in=_numbers(named)), self.marks)
        }

    @cached_property
    def coverage(self) -> Coverage | None:
        """The coverage of the date of service."""
        return self.coverage_on(self.day)

    def coverage_on(self, day: date) -> Coverage | None:
        """The coverage of a day; of two from the same day the later recorded."""
        begun = [row for row in self.coverages if row.starts_on <= day]
        return max(begun, key=lambda row: (row.starts_on, row.pk), default=None)

    @cached_property
    def nights(self) -> list[Night]:
        """The nights then on record, oldest first."""
        rows = Night.objects.filter(
            Q(voided_at=None) | Q(voided_at__gt=self.known_at),
            patient=self.dispense.patient_id,
            pk__lte=self.kept.last_night,
        )
        return list(rows.order_by("night_on", "pk"))

    @cached_property
    def reevaluations(self) -> list[FollowUp]:
        """Visits recorded as the re-evaluation a payer asks for, the earliest first."""
        found = standing(FollowUp.objects.filter(patient=self.dispense.patient_id), self.marks)
        return sorted((row for row in found if row.is_reevaluation), key=lambda row: (row.on, row.pk))

    def _one(self, model: type[M], pk: int | None) -> M:
        """One record that has to be there. Raises LookupError where its history has none."""
        found = records(model._default_manager.filter(pk=pk), self.marks)
        if not found:
            raise LookupError(f"{model._meta.verbose_name} {pk} has no history up to the packet's marks")
        return found[0]


def gather(dispense_id: int, *, marks: Marks, known_at: datetime, kept: Kept) -> Records:
    """The records of a packet about a dispense."""
    return Records(dispense_id, marks, known_at, kept)


def _numbers(named: Iterable[int | None]) -> set[int]:
    return {number for number in named if number is not None}
