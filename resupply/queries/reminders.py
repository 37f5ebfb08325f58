"""What is due to be written about; whether it still is when its message goes out, `queued` asks.

The step of a line is worked out in SQL by the ladder of `rules/reminders.py`, so that the database hands out
only what is new; a test compares both over the whole range of dates.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import (
    Case,
    Exists,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Value,
    When,
)

from resupply.models import (
    Channel,
    Message,
    MessageReason,
    MessageState,
    Patient,
    PatientStatus,
    PlanLine,
    QuestionState,
)
from resupply.queries.answers import answered, spoke_lately
from resupply.queries.consents import reach
from resupply.queries.message_terms import count_near, of_day
from resupply.queries.same_refill import of_same_refill
from resupply.rules.message_terms import MOST_A_WEEK, Schedule
from resupply.rules.purposes import Purpose
from resupply.rules.reminders import (
    LADDER,
    STEPS,
    Window,
    next_window,
)


@dataclass(frozen=True, slots=True)
class DueLine:
    """A line that has newly reached a step."""

    patient_id: int
    zone: str
    kind: str
    supply_ends_on: date
    step: str


def windows(*, now: datetime, terms: Schedule) -> dict[str, Window]:
    """The present or next sending window of every zone that patients live in."""
    zones = (
        Patient.objects.filter(status=PatientStatus.ON_THERAPY).order_by().values_list("time_zone", flat=True)
    )
    return {zone: next_window(now, zone, hours_on=terms.hours_on) for zone in zones.distinct()}


def due_lines(
    *,
    day: date,
    zones: Collection[str],
    after: int,
    limit: int,
    per_week: int = MOST_A_WEEK,
    channels: Collection[str] = (Channel.MAIL,),
) -> list[DueLine]:
    """Lines with a new step on `day`, by patient from keys above `after` on; at most `limit` lines (> 10).

    Left out: patients not on therapy, those whom no channel reaches with a standing yes to the step's
    purpose, those who have a message of that day already or as many in a week as the terms allow, or gave an
    answer lately; lines in a pause, answered lines, lines that wait for the patient's open question to
    close, and lines whose plan is not worked out up to that day. Long as one query, read as a whole.
    """
    pressing = Q(rank__gte=STEPS["overdue_1"].rank)
    lines = (
        PlanLine.objects.alias(near=count_near(day, "patient"))
        .filter(
            Q(paused_from=None) | Q(paused_from__gt=day) | Q(paused_until__lte=day),
            Q(patient__plan_state__valid_until=None) | Q(patient__plan_state__valid_until__gt=day),
            ~answered(today=day),
            ~Exists(spoke_lately(today=day)),
            ~Exists(of_day(day)),
            active=True,
            ask_from__lte=day,
            patient__status=PatientStatus.ON_THERAPY,
            patient__time_zone__in=zones,
            patient_id__gt=after,
            near__lt=per_week,
        )
        .annotate(rank=_rank_reached(day))
        .filter(
            (~pressing & reach(Purpose.QUESTION, channels)) | (pressing & reach(Purpose.OVERDUE, channels))
        )
        .exclude(Exists(_written_about()))
        .exclude(Q(rank=LADDER[0].rank) & Exists(_open_question()))
        .order_by("patient_id", "kind")
        .values_list("patient_id", "patient__time_zone", "kind", "supply_ends_on", "rank")[:limit]
    )
    names = {step.rank: step.name for step in LADDER}
    found = [DueLine(patient, zone, kind, ends, names[rank]) for patient, zone, kind, ends, rank in lines]
    if len(found) == limit:  # the last patient may have more lines than were read
        found = [line for line in found if line.patient_id != found[-1].patient_id]
    return found


def _rank_reached(day: date) -> Case:
    """Rank of the highest step reached on `day` by a line whose `ask_from` has come."""
    later = [step for step in reversed(LADDER) if step.days_after is not None]
    whens = [
        When(refill_on__lte=day - timedelta(days=step.days_after or 0), then=Value(step.rank))
        for step in later
    ]
    return Case(*whens, default=Value(LADDER[0].rank), output_field=IntegerField())


def _written_about() -> "QuerySet[MessageReason]":
    """Standing reasons of the outer line's refill, of its step or a higher one."""
    ranks = Case(
        *(When(step=step.name, then=Value(step.rank)) for step in LADDER), output_field=IntegerField()
    )
    rows = MessageReason.objects.alias(reason_rank=ranks)
    return of_same_refill(rows.filter(stands=True, reason_rank__gte=OuterRef("rank")))


def _open_question() -> "QuerySet[Message]":
    """Messages on their way or sent that carry the open question of the outer line's patient."""
    return Message.objects.filter(
        patient=OuterRef("patient"),
        question__state=QuestionState.OPEN,
        state__in=[MessageState.WAITING, MessageState.SENDING, MessageState.SENT],
    )
