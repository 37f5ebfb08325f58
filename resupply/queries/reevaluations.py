"""Patients in their first months whose payer wants them seen again: window, use so far, what is missing."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import OuterRef, Subquery

from resupply.models import FollowUp, Night, Patient, PatientStatus, Payer
from resupply.queries.nights import window_of
from resupply.queries.payers import begun
from resupply.rules.adherence import Adherence, Reevaluation, Verdict, judge

FARTHEST_BACK = timedelta(days=240)
"""First nights longer ago are history: the longest window and time to make up for it are over."""


@dataclass(frozen=True, slots=True)
class Reevaluating:
    """One patient. `missing`: `nights` (no data), `use` (not enough so far), `seen` (no visit on record)."""

    patient: Patient
    window: Reevaluation
    adherence: Adherence
    seen_on: date | None
    missing: tuple[str, ...]


def reevaluating(location_ids: Collection[int], *, today: date) -> list[Reevaluating]:
    """Patients on therapy in their first months under a policy with a window, the earliest end first; those
    with nothing missing are left out. Four queries.
    """
    people = _people(location_ids, today)
    ids = [person.pk for person in people]
    payers = {payer.pk: payer for payer in Payer.objects.exclude(reevaluation="")}
    minutes: dict[int, dict[date, int]] = defaultdict(dict)
    used = Night.objects.filter(patient__in=ids, voided_at=None)
    for patient_id, night_on, usage in used.values_list("patient", "night_on", "usage_min"):
        minutes[patient_id][night_on] = usage
    seen: dict[int, list[date]] = defaultdict(list)
    visits = FollowUp.objects.filter(patient__in=ids, voided_at=None, is_reevaluation=True).order_by("on")
    for patient_id, on in visits.values_list("patient", "on"):
        seen[patient_id].append(on)
    rows = [
        row
        for person in people
        if (row := _row(person, payers, minutes[person.pk], seen[person.pk], today)) is not None
    ]
    return sorted(rows, key=lambda row: row.window.last)


def _people(location_ids: Collection[int], today: date) -> list[Patient]:
    """Patients whose therapy began not too long ago, with `covered_by`, who paid on the first night."""
    covering = begun(OuterRef("pk"), OuterRef("therapy_started_on"))
    rows = Patient.objects.filter(
        status=PatientStatus.ON_THERAPY,
        therapy_started_on__lte=today,
        therapy_started_on__gte=today - FARTHEST_BACK,
    ).annotate(covered_by=Subquery(covering.values("payer")[:1]))
    if location_ids:
        rows = rows.filter(location__in=sorted(location_ids))
    return list(rows.order_by("family_name", "given_name", "pk"))


def _row(
    person: Patient, payers: Mapping[int, Payer], minutes: Mapping[date, int], seen: list[date], today: date
) -> Reevaluating | None:
    payer = payers.get(getattr(person, "covered_by", None) or 0)
    started_on = person.therapy_started_on
    window = window_of(payer, started_on) if payer and started_on else None
    if window is None or started_on is None:
        return None
    through = min(max(minutes, default=started_on), today - timedelta(days=1))
    adherence = judge(minutes, started_on=started_on, through=through)
    has_nights = any(started_on <= night <= adherence.last_night for night in minutes)
    seen_on = next((day for day in seen if day >= window.first), None)
    missing = [
        name
        for name, is_missing in [
            ("nights", not has_nights),
            ("use", has_nights and adherence.verdict is not Verdict.MET),
            ("seen", seen_on is None and today >= window.first),
        ]
        if is_missing
    ]
    return Reevaluating(person, window, adherence, seen_on, tuple(missing)) if missing else None
