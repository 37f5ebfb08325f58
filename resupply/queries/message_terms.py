"""Terms of messages: the versions on record, and which days of a patient already have a message."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

from django.db.models import Count, IntegerField, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from resupply.models import Message, MessageState, MessageTermsVersion
from resupply.rules.message_terms import WEEK, MessageTerms, Schedule
from resupply.rules.reminders import Hours
from resupply.rules.replies import REPLIES


def schedule() -> Schedule:
    """All standing versions. One query."""
    rows = MessageTermsVersion.objects.filter(voided_at=None).order_by("pk")
    return Schedule(tuple(terms_of(row) for row in rows))


def terms_of(row: MessageTermsVersion) -> MessageTerms:
    """A version as the rules read it."""
    return MessageTerms(
        Hours(row.opens, row.closes), row.per_week, row.second_ask_days, row.link_ahead_days,
        row.effective_from,
    )  # fmt: skip


def versions() -> list[MessageTermsVersion]:
    """All versions, the newest first, voided ones too."""
    rows = MessageTermsVersion.objects.select_related("recorded_by", "voided_by")
    return list(rows.order_by("-effective_from", "-pk"))


def counting() -> "QuerySet[Message]":
    """Messages that count towards the caps: on their way, gone out, or perhaps gone out."""
    going = Q(state__in=[MessageState.WAITING, MessageState.SENDING, MessageState.SENT])
    return Message.objects.filter(going | Q(is_unsure=True)).exclude(purpose__in=REPLIES)


def of_day(day: date) -> "QuerySet[Message]":
    """Messages of the outer row's patient that belong to a day, whatever became of them; a reply to a text
    that came in belongs to none.
    """
    return Message.objects.filter(patient=OuterRef("patient"), day=day).exclude(purpose__in=REPLIES)


def count_near(day: date, patient: str) -> Coalesce:
    """How many counting messages a patient has within a week of a day; `patient`: the outer column."""
    near = counting().filter(patient=OuterRef(patient), day__gt=day - WEEK, day__lt=day + WEEK)
    number = near.order_by().values("patient").annotate(number=Count("pk")).values("number")
    return Coalesce(Subquery(number, output_field=IntegerField()), 0)


def days_before(messages: Sequence[Message]) -> dict[int, list[date]]:
    """For each message, the days of the same patient's messages that come before it: those begun or sent, and
    those that wait and are older. One query.
    """
    found: dict[int, list[date]] = defaultdict(list)
    by_patient: dict[int, list[Message]] = defaultdict(list)
    for message in messages:
        by_patient[message.patient_id].append(message)
    rows = counting().filter(
        patient__in=by_patient,
        day__gt=min((message.day for message in messages), default=date.max) - WEEK,
    )
    for pk, patient, day, state in rows.values_list("pk", "patient", "day", "state"):
        for message in by_patient[patient]:
            waits = state == MessageState.WAITING
            if pk != message.pk and (not waits or pk < message.pk):
                found[message.pk].append(day)
    return found
