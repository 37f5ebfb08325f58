"""What a patient's messages of the next days follow from: read for many patients at once."""

from collections import defaultdict
from collections.abc import Collection
from datetime import date, timedelta

from django.db.models import Count, Max, Q

from resupply.models import (
    MessageOccasion,
    MessageReason,
    MessageState,
    PatientLink,
    PlanLine,
    QuestionState,
    RefillQuestion,
)
from resupply.queries.answers import answered
from resupply.queries.consents import ADDRESS, Reach, reaches
from resupply.queries.message_terms import counting
from resupply.queries.open_days import open_days
from resupply.queries.same_refill import is_same_refill
from resupply.rules.bundling import OpenDays
from resupply.rules.consents import may_write
from resupply.rules.message_days import Mailbox, MessageLine, OpenQuestion
from resupply.rules.message_terms import WEEK
from resupply.rules.purposes import Purpose
from resupply.rules.questions import Askable
from resupply.rules.reminders import LADDER

_RANKS = {step.name: step.rank for step in LADDER}
_OF_PLANS = (
    *("patient_id", "location_id", "kind", "supply_ends_on", "deliver_from", "ask_from", "refill_on"),
    *("paused_from", "paused_until"),
)
_INSTANT = timedelta(microseconds=1)


def mailboxes(patient_ids: Collection[int], *, day: date) -> dict[int, Mailbox]:
    """What is known of these patients on a day; who can be written to about nothing is left out. Twelve
    queries.
    """
    how = reaches(patient_ids, tuple(ADDRESS))
    writes = {pk: found for pk, one in how.items() if (found := _writes(one))}
    lines = PlanLine.objects.filter(~answered(today=day), patient__in=writes, active=True).only(*_OF_PLANS)
    by_patient: dict[int, list[PlanLine]] = defaultdict(list)
    for line in lines.order_by("patient_id", "kind"):
        by_patient[line.patient_id].append(line)
    reasons: dict[tuple[int, str], list[tuple[date, int]]] = defaultdict(list)
    rows = MessageReason.objects.filter(patient__in=writes, stands=True)
    for patient, kind, ends, step in rows.values_list("patient", "kind", "supply_ends_on", "step"):
        reasons[patient, kind].append((ends, _RANKS.get(step, 0)))
    places = open_days({line.location_id for found in by_patient.values() for line in found}, since=day)
    days, questions, links = _days(writes, day), _questions(writes), _links(writes)
    return {
        pk: Mailbox(
            tuple(_line(line, reasons[pk, line.kind]) for line in by_patient[pk]),
            writes[pk],
            places[by_patient[pk][0].location_id] if by_patient[pk] else OpenDays(),
            frozenset(days[pk]),
            questions.get(pk),
            tuple(links[pk]),
        )
        for pk in sorted(writes)
    }


def _writes(how: Reach) -> frozenset[Purpose]:
    """The purposes about which some channel reaches a patient with a yes."""
    return frozenset(
        purpose
        for purpose in Purpose
        if any(may_write(how.said, channel, purpose) for channel in how.reachable)
    )


def _line(line: PlanLine, reasons: list[tuple[date, int]]) -> MessageLine:
    dates = Askable(line.kind, line.ask_from, line.deliver_from, line.supply_ends_on, line.refill_on)
    written = [rank for ends, rank in reasons if is_same_refill(ends, line.supply_ends_on)]
    return MessageLine(dates, line.paused_from, line.paused_until, max(written, default=0))


def _days(patients: Collection[int], day: date) -> dict[int, list[date]]:
    found: dict[int, list[date]] = defaultdict(list)
    rows = counting().filter(patient__in=patients, day__gt=day - WEEK)
    for patient, on in rows.values_list("patient", "day"):
        found[patient].append(on)
    return found


def _questions(patients: Collection[int]) -> dict[int, OpenQuestion]:
    sent = Q(messages__state=MessageState.SENT)
    rows = RefillQuestion.objects.filter(patient__in=patients, state=QuestionState.OPEN).annotate(
        sent=Count("messages", filter=sent), last_on=Max("messages__day", filter=sent)
    )
    return {row.patient_id: OpenQuestion(row.asked_at.date(), row.sent, row.last_on) for row in rows}


def _links(patients: Collection[int]) -> dict[int, list[date]]:
    """The last days of live links that were not written about."""
    told = set(
        MessageOccasion.objects.filter(
            patient__in=patients, purpose=Purpose.CALENDAR, stands=True
        ).values_list("key", flat=True)
    )
    found: dict[int, list[date]] = defaultdict(list)
    rows = PatientLink.objects.filter(patient__in=patients, revoked_at=None)
    for pk, patient, expires_at in rows.order_by("pk").values_list("pk", "patient", "expires_at"):
        if f"link:{pk}" not in told:
            found[patient].append((expires_at - _INSTANT).date())
    return found
