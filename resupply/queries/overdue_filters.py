"""What the overdue list may be narrowed to besides location, payer, part and age: how far the patient was
reached, who looks after the line, and whether it is snoozed.

- *no consent*: no yes to being asked by e-mail or text message that could be used: none on record, a no
  since, no address, or one that does not exist.
- *no answer*: since the line may be asked about, a message about it went out or a call found nobody, and the
  patient has said nothing about it.
- *never reached*: since then no message went out, nobody spoke with the patient, and no answer came.
- *therapist*: who recorded the patient's newest standing fitting. The record names no other therapist.
- *assigned*: the newest standing assignment of the line for this refill.
"""

from datetime import date
from enum import StrEnum

from django.db.models import (
    BigIntegerField,
    BooleanField,
    DateField,
    Exists,
    Func,
    Lookup,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
)
from django.db.models.lookups import Exact

from resupply.models import (
    Act,
    Contact,
    Fitting,
    LineAct,
    Outcome,
    PlanLine,
    RefillAnswerItem,
)
from resupply.queries.answers import answered
from resupply.queries.consents import ADDRESS, can_reach
from resupply.queries.same_refill import of_same_refill
from resupply.queries.worklists import asked_about
from resupply.rules.purposes import Purpose
from resupply.rules.reminders import SAME_REFILL_DAYS


class Reach(StrEnum):
    """How far the patient was reached."""

    NO_CONSENT = "no_consent"
    NO_ANSWER = "no_answer"
    NEVER = "never_reached"


def narrowed_by_reach(rows: QuerySet[PlanLine], reach: Reach, *, today: date) -> QuerySet[PlanLine]:
    """Lines whose patient was reached so far."""
    if reach is Reach.NO_CONSENT:
        return _without_consent(rows)
    said = Q(Exists(_said())) | answered(today=today)
    if reach is Reach.NO_ANSWER:
        return rows.filter(Q(Exists(asked_about())) | Q(Exists(_tried())), ~said)
    return rows.filter(~Exists(asked_about()), ~Exists(_spoken()), ~said)


def _without_consent(rows: QuerySet[PlanLine]) -> QuerySet[PlanLine]:
    """Lines whose patient may be sent no question at all."""
    return rows.alias(can_write=can_reach(Purpose.QUESTION, tuple(ADDRESS))).filter(can_write=False)


def of_therapist(rows: QuerySet[PlanLine], user_id: int) -> QuerySet[PlanLine]:
    """Lines of patients whose newest standing fitting this person recorded."""
    fittings = Fitting.objects.filter(patient=OuterRef("patient"), voided_at=None)
    newest = fittings.order_by("-fitted_on", "-pk").values("recorded_by")[:1]
    return rows.alias(therapist=Subquery(newest)).filter(therapist=user_id)


def assigned_to(rows: QuerySet[PlanLine], user_id: int) -> QuerySet[PlanLine]:
    """Lines that a person looks after (0: nobody does)."""
    rows = rows.alias(assigned=assignee())
    if not user_id:
        return rows.filter(assigned=None)
    return rows.filter(assigned=user_id, pk__in=_ever_assigned(user_id).values("pk"))


def assignee() -> Subquery:
    """Who looks after the outer line (null: nobody)."""
    newest = acts_of_line(Act.ASSIGN).order_by("-pk").values("assigned_to")[:1]
    return Subquery(newest, output_field=BigIntegerField())


def acts_of_line(act: Act) -> QuerySet[LineAct]:
    """Standing acts on the outer line's refill."""
    return of_same_refill(LineAct.objects.filter(act=act, voided_at=None))


def not_snoozed(*, today: date) -> "Lookup[bool]":
    """Whether the outer line is not snoozed on a day: `~snoozed`, looked up line by line, which suits the few
    lines of a page; in SQL, because composing it costs more than answering it.
    """
    day = Value(today, output_field=DateField())
    return Exact(_Snoozed("patient_id", "kind", "supply_ends_on", day), Value(False))


class _Snoozed(Func):
    """Whether a snooze of a line (patient, kind, end of supply) counts on a day."""

    template = f"""EXISTS (
        SELECT FROM resupply_lineact act, (VALUES (%(expressions)s)) line (patient, kind, ends, today)
        WHERE act.patient_id = line.patient AND act.kind = line.kind AND act.act = 'snooze'
            AND act.voided_at IS NULL AND act.until > line.today
            AND abs(act.supply_ends_on - line.ends) < {SAME_REFILL_DAYS})"""
    output_field = BooleanField()


def snoozed(*, today: date) -> Q:
    """Whether the outer line is snoozed on a day. Their patients are named as well, because they are few: by
    the other condition alone PostgreSQL would read every line there is.
    """
    snoozes = LineAct.objects.filter(act=Act.SNOOZE, voided_at=None, until__gt=today)
    whose = Q(patient__in=snoozes.values("patient"))
    return whose & Q(Exists(acts_of_line(Act.SNOOZE).filter(until__gt=today)))


def _ever_assigned(user_id: int) -> QuerySet[PlanLine]:
    """Lines somebody once was assigned: few, and found by an index, so that the list starts from them."""
    theirs = LineAct.objects.filter(act=Act.ASSIGN, voided_at=None, assigned_to=user_id)
    return PlanLine.objects.filter(Exists(theirs.filter(patient=OuterRef("patient"), kind=OuterRef("kind"))))


def _said() -> QuerySet[RefillAnswerItem]:
    """What the patient said about the outer line since it may be asked about."""
    return RefillAnswerItem.objects.filter(
        answer__patient=OuterRef("patient"),
        answer__voided_at=None,
        answer__contacted_on__gte=OuterRef("ask_from"),
        kind=OuterRef("kind"),
    )


def _since() -> QuerySet[Contact]:
    return Contact.objects.filter(patient=OuterRef("patient"), voided_at=None, on__gte=OuterRef("ask_from"))


def _tried() -> QuerySet[Contact]:
    return _since().filter(outcome__in=[Outcome.NO_ANSWER, Outcome.LEFT_WORD])


def _spoken() -> QuerySet[Contact]:
    return _since().filter(outcome__in=[Outcome.REACHED, Outcome.NOT_WANTED])
