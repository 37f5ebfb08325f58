"""What waits for somebody at the desk: answers to act on, answers to read, calls to make, parts awaited.

Every list leaves out patients who are not on therapy, and all but that of their reports those whose therapy
pauses on the day. Each is read by so many rows at most; what counts as an answer stands in `answers`. Calls
are about lines that may be asked about (`ask_from` has come) without an answer to this refill, where no
message can ask (no address that holds with a yes, on no channel), the last one did not arrive, or one went
out a week ago unanswered; never where calls were refused, nor within a week of an answer about other parts.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date
from typing import Generic, TypeVar

from django.db.models import (
    BooleanField,
    Exists,
    ExpressionWrapper,
    F,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
)

from resupply.models import (
    NEED_A_PERSON,
    BackOrder,
    Channel,
    Consent,
    Contact,
    Dispense,
    Message,
    MessageReason,
    Patient,
    PatientReport,
    PatientStatus,
    PlanLine,
    RefillAnswer,
    RefillAnswerItem,
    StockLevel,
    SuppliedBy,
    shown,
)
from resupply.queries.answers import answered, spoke_lately, standing_yeses
from resupply.queries.consents import can_reach, newest_consent
from resupply.queries.failures import did_not_arrive, went_out
from resupply.queries.paused import paused_on
from resupply.queries.same_refill import of_same_refill
from resupply.rules.kinds import PLACE
from resupply.rules.purposes import Purpose
from resupply.rules.questions import CALL_AFTER
from resupply.rules.replies import REPLIES

T = TypeVar("T", RefillAnswerItem, RefillAnswer, PatientReport, PlanLine, BackOrder)
Places = Collection[int]
"""Ids of locations; empty: everywhere."""


@dataclass(frozen=True, slots=True)
class Group(Generic[T]):
    """What one patient's work at the desk consists of, the most pressing first."""

    patient: Patient
    rows: list[T]

    @property
    def first(self) -> T:
        """The row that put the patient where the list has them."""
        return self.rows[0]


@dataclass(frozen=True, slots=True)
class WorkList(Generic[T]):
    """The patients of a list in its order; `is_cut`: there are more than were read."""

    groups: list[Group[T]]
    is_cut: bool


def read(rows: QuerySet[T], patient_of: Callable[[T], Patient], *, at_most: int) -> WorkList[T]:
    """The first `at_most` rows of a list, by patient. One query, and what the rows prefetch."""
    found = list(rows[: at_most + 1])
    groups: dict[int, Group[T]] = {}
    for row in found[:at_most]:
        patient = patient_of(row)
        groups.setdefault(patient.pk, Group(patient, [])).rows.append(row)
    for group in groups.values():
        group.rows.sort(key=_within)
    return WorkList(list(groups.values()), len(found) > at_most)


def _within(row: RefillAnswerItem | RefillAnswer | PatientReport | PlanLine | BackOrder) -> tuple[date, int]:
    """The order of one patient's rows: what may go out or ran out first, parts of one day as usual."""
    if isinstance(row, RefillAnswer):
        return row.contacted_on, 0
    if isinstance(row, PatientReport):
        return row.on, 0
    day = row.ordered_on if isinstance(row, BackOrder) else row.supply_ends_on  # type: ignore[union-attr]
    first: date = getattr(row, "deliver_from", day)
    return first, PLACE[row.kind]


# --- said yes -----------------------------------------------------------------------------------------------


def said_yes(places: Places, *, today: date) -> QuerySet[RefillAnswerItem]:
    """Parts that patients said yes to and have not got, each with `deliver_from` and `supply_ends_on`."""
    line = "answer__patient__plan_lines__"
    rows = standing_yeses(today=today)
    if places:
        rows = rows.filter(answer__patient__location__in=sorted(places))
    return (
        rows.filter(
            shown(line),
            _going_on(line, today),
            **{f"{line}kind": F("kind"), f"{line}active": True},
        )
        .annotate(deliver_from=F(f"{line}deliver_from"), supply_ends_on=F(f"{line}supply_ends_on"))
        .select_related("answer__patient__location")
    )


# --- needs a person -----------------------------------------------------------------------------------------


def to_handle(places: Places, *, today: date) -> QuerySet[RefillAnswer]:
    """Answers that say more than yes or no and that nobody has seen to."""
    waiting = RefillAnswer.objects.filter(needs_person=True, handled_at=None, voided_at=None)
    rows = waiting.filter(*_of_patients(places, today=today))
    return rows.select_related("patient__location").prefetch_related("items")


# --- reported by patients -----------------------------------------------------------------------------------


def reported(places: Places, *, today: date) -> QuerySet[PatientReport]:
    """What patients told us on their own pages and nobody has seen to; who said that therapy pauses, too."""
    rows = PatientReport.objects.filter(
        told__in=NEED_A_PERSON, handled_at=None, voided_at=None, patient__status=PatientStatus.ON_THERAPY
    )
    if places:
        rows = rows.filter(patient__location__in=sorted(places))
    return rows.select_related("patient__location")


# --- calls to make ------------------------------------------------------------------------------------------


def calls(places: Places, *, today: date, channels: Collection[str] = (Channel.MAIL,)) -> QuerySet[PlanLine]:
    """Lines to ask about by telephone; `channels`: those that this clinic can send on.

    Each with `can_write`, `may_mail`, `last_failed` (the last message did not arrive), `asked_on` (the last
    message about it), `may_call` (None: never asked), `call_on_paper`, `supplied_on` (the patient's last
    dispense from us), and the patient's newest contact.
    """
    rows = PlanLine.objects.filter(active=True, ask_from__lte=today).exclude(paused_on(today))
    if places:
        rows = rows.filter(location__in=sorted(places))
    return (
        rows.alias(again_on=_newest_contact("again_on"))
        .annotate(
            can_write=can_reach(Purpose.QUESTION, channels),
            may_mail=newest_consent(Channel.MAIL, Purpose.QUESTION, "patient"),
            may_call=newest_consent(Channel.PHONE, "", "patient"),
            call_on_paper=_call_on_paper(),
            last_failed=_last_failed(channels),
            asked_on=Subquery(asked_about().order_by("-message__day").values("message__day")[:1]),
        )
        .filter(
            Q(may_call=None) | Q(may_call=True),
            Q(again_on=None) | Q(again_on__lte=today),
            Q(can_write=False) | Q(last_failed=True) | Q(asked_on__lte=today - CALL_AFTER),
            ~answered(today=today),
            ~Exists(spoke_lately(today=today)),
        )
        .annotate(
            contact_on=_newest_contact("on"),
            contact_outcome=_newest_contact("outcome"),
            contact_note=_newest_contact("note"),
            supplied_on=_last_supplied(),
        )
        .select_related("patient__location")
    )


def _call_on_paper() -> Subquery:
    """Whether the newest standing record about calls is signed."""
    rows = Consent.objects.filter(
        patient=OuterRef("patient"), channel=Channel.PHONE, purpose="", voided_at=None
    )
    return Subquery(rows.order_by("-pk").values("on_paper")[:1], output_field=BooleanField())


def _newest_contact(field: str) -> Subquery:
    contacts = Contact.objects.filter(patient=OuterRef("patient"), voided_at=None)
    return Subquery(contacts.order_by("-on", "-pk").values(field)[:1])


def _last_failed(channels: Collection[str]) -> Subquery:
    """Whether the patient's last message that left the queue on one of the channels did not arrive."""
    left = Message.objects.filter(
        went_out() | did_not_arrive(), patient=OuterRef("patient"), channel__in=channels
    )
    failed = ExpressionWrapper(did_not_arrive(), output_field=BooleanField())
    newest = left.exclude(purpose__in=REPLIES).order_by("-day", "-pk")
    return Subquery(newest.annotate(failed=failed).values("failed")[:1])


def asked_about() -> QuerySet[MessageReason]:
    """Messages that went out about the outer line's refill, and did not come back."""
    return of_same_refill(MessageReason.objects.filter(went_out("message__")))


def _last_supplied() -> Subquery:
    given = Dispense.objects.filter(
        patient=OuterRef("patient"), voided_at=None, supplied_by=SuppliedBy.US
    ).order_by("-dispensed_on", "-pk")
    return Subquery(given.values("dispensed_on")[:1])


# --- expected back in stock ---------------------------------------------------------------------------------


def expected(places: Places, *, today: date) -> QuerySet[BackOrder]:
    """Open back orders, each with `in_stock`: units of the item on the shelf of its location, not expired."""
    shelf = StockLevel.objects.filter(
        Q(expires_on=None) | Q(expires_on__gte=today),
        location=OuterRef("location"),
        item=OuterRef("item"),
        on_hand__gt=0,
    )
    total = shelf.order_by().values("item").annotate(total=Sum("on_hand")).values("total")
    rows = BackOrder.objects.filter(*_of_patients(places, today=today), filled_by=None, voided_at=None)
    return rows.annotate(in_stock=Subquery(total)).select_related("patient__location", "location", "item")


# --- shared -------------------------------------------------------------------------------------------------


def _of_patients(places: Places, *, today: date) -> list[Q]:
    """Of patients on therapy that does not pause on a day; for rows with a `patient`."""
    paused = PlanLine.objects.filter(paused_on(today), patient=OuterRef("patient"))
    here = [Q(patient__location__in=sorted(places))] if places else []
    return [*here, Q(patient__status=PatientStatus.ON_THERAPY), ~Q(Exists(paused))]


def _going_on(line: str, today: date) -> Q:
    """That therapy does not pause on a day, said of lines reached through a relation."""
    ahead = Q(**{f"{line}paused_from": None}) | Q(**{f"{line}paused_from__gt": today})
    return ahead | Q(**{f"{line}paused_until__lte": today})
