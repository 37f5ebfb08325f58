"""The overdue lines of a past day, worked out by the rules for some patients at a time.

Facts count that are dated up to that day and stand today: what was typed in later about days before counts,
what was voided since does not. Who was on therapy at the end of that day, where the patient lives, is read
from the patient's change history; where that begins later (a list that was imported), the first entry counts.
Names and locations are today's, the payer is that day's.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import QuerySet

from resupply.models import Patient, PatientStatus, Payer
from resupply.queries import facts as fact_queries
from resupply.queries.as_known import changes_of
from resupply.queries.overdue_known import LastContact, last_contacts
from resupply.rules.lines import LinePlan, State, plan_patient, read
from resupply.rules.reminders import zones_of


@dataclass(frozen=True, slots=True)
class PastLine:
    """A line that was overdue on a day."""

    patient: Patient
    plan: LinePlan
    days: int
    payer: str
    """Name; empty: the patient paid."""
    last: LastContact | None


def past_lines(
    after: int, *, day: date, location_ids: Collection[int], limit: int
) -> tuple[int | None, list[PastLine]]:
    """Overdue lines of the next patients by key, and the last key looked at (None: there were no more).

    A fixed number of queries for `limit` patients.
    """
    people = _people(location_ids).filter(pk__gt=after).select_related("location")
    batch = {patient.pk: patient for patient in people.order_by("pk")[:limit]}
    if not batch:
        return None, []
    lines = list(_overdue(batch, day))
    last = last_contacts({line.patient.pk for line in lines}, by=day)
    with_last = [
        PastLine(line.patient, line.plan, line.days, line.payer, last.get(line.patient.pk)) for line in lines
    ]
    return max(batch), with_last


def patients_at(location_ids: Collection[int]) -> int:
    """How many patients there are to look at."""
    return _people(location_ids).count()


def _people(location_ids: Collection[int]) -> QuerySet[Patient]:
    """Whoever is looked at: not those whose import was undone."""
    people = Patient.objects.exclude(status=PatientStatus.WITHDRAWN)
    return people.filter(location__in=sorted(location_ids)) if location_ids else people


def statuses_by(moments: Mapping[int, datetime]) -> dict[int, str]:
    """The status of each patient at an aware moment, by key. One query."""
    rows = changes_of(Patient)._default_manager.filter(pgh_obj__in=moments).order_by("pgh_obj", "pgh_id")
    found: dict[int, str] = {}
    for patient, at, status in rows.values_list("pgh_obj", "pgh_created_at", "status"):
        if patient not in found or at <= moments[patient]:
            found[patient] = status
    return found


def _overdue(people: Mapping[int, Patient], day: date) -> Iterator[PastLine]:
    statuses = statuses_by({pk: end_of(day, patient.time_zone) for pk, patient in people.items()})
    policy, known = fact_queries.policy(), fact_queries.patient_facts(people.keys())
    payers = {str(pk): name for pk, name in Payer.objects.values_list("pk", "name")}
    for pk, patient in people.items():
        if statuses.get(pk, patient.status) != PatientStatus.ON_THERAPY:
            continue
        plan = plan_patient(known[pk], policy, as_of=day)
        for line in sorted(plan.lines, key=lambda line: (line.supply_ends_on, line.kind.value)):
            status = read(line, as_of=day)
            if status.state is State.OVERDUE:
                yield PastLine(patient, line, status.days_overdue or 0, payers.get(plan.payer, ""), None)


def end_of(day: date, zone: str) -> datetime:
    """The first moment of the next day where somebody lives."""
    return datetime.combine(day + timedelta(days=1), time(), zones_of(zone)[0])
