"""What the day holds at the desk: whose refills may be dispensed now, and who has just fallen behind."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet

from resupply.models import Patient, PlanLine
from resupply.queries.overdue import OverdueFilter, Snoozed, overdue_lines
from resupply.queries.paused import paused_on
from resupply.rules.kinds import PLACE

MOST_LINES = 60
MOST_PATIENTS = 12


@dataclass(frozen=True, slots=True)
class PatientLines:
    """Lines of one patient, the most pressing first, those of one day in the usual order of parts."""

    patient: Patient
    lines: list[PlanLine]


def ready(location_ids: Collection[int], *, today: date) -> list[PatientLines]:
    """Patients with lines that may be dispensed today and whose supply has not ended, the nearest end
    first.
    """
    rows = PlanLine.objects.filter(active=True, supply_ends_on__gte=today, deliver_from__lte=today).exclude(
        paused_on(today)
    )
    return _by_patient(_at(rows, location_ids).order_by("supply_ends_on", "pk"))


def fallen_behind(location_ids: Collection[int], *, today: date) -> list[PatientLines]:
    """Patients with overdue lines, those who fell behind last first."""
    wanted = OverdueFilter(location_ids=frozenset(location_ids) or None)
    return _by_patient(
        overdue_lines(wanted, today=today).order_by("-supply_ends_on", "-pk"), latest_first=True
    )


def assigned_to(user_id: int, location_ids: Collection[int], *, today: date) -> int:
    """How many overdue lines a member of staff looks after, snoozed ones too."""
    wanted = OverdueFilter(
        location_ids=frozenset(location_ids) or None, assigned_id=user_id, snoozed=Snoozed.TOO
    )
    return overdue_lines(wanted, today=today).count()


def _at(rows: QuerySet[PlanLine], location_ids: Collection[int]) -> QuerySet[PlanLine]:
    return rows.filter(location__in=sorted(location_ids)) if location_ids else rows


def _by_patient(rows: QuerySet[PlanLine], *, latest_first: bool = False) -> list[PatientLines]:
    """The first `MOST_PATIENTS` patients among the first `MOST_LINES` lines. One query."""
    groups: dict[int, PatientLines] = {}
    for row in rows.select_related("patient", "location")[:MOST_LINES]:
        groups.setdefault(row.patient_id, PatientLines(row.patient, [])).lines.append(row)
    for group in groups.values():
        group.lines.sort(key=lambda line: PLACE[line.kind])
        group.lines.sort(key=lambda line: line.supply_ends_on, reverse=latest_first)
    return list(groups.values())[:MOST_PATIENTS]
