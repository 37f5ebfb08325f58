"""Nights of a patient, and what the rules make of them: first months of use, leak since a part's start."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date

from django.db.models import Max, Q

from resupply.models import FollowUp, Night, NightImport, Patient, Payer, PlanLine
from resupply.queries.payers import begun
from resupply.rules.adherence import Adherence, Reevaluation, judge, reevaluation, shipped
from resupply.rules.kinds import Kind
from resupply.rules.leaks import LeakKind, LeakNight, Look, comparable, look

CUSHIONS = (Kind.CUSHION, Kind.ORAL_CUSHION, Kind.COMBINATION_PILLOWS)
"""Kinds whose wear shows as leak."""


@dataclass(frozen=True, slots=True)
class LeakSince:
    """Leak since a cushion was put to use: its kind, the day, the nights compared, what the look found."""

    kind: Kind
    since: date
    nights: int
    leak_kind: LeakKind
    look: Look


@dataclass(frozen=True, slots=True)
class FirstMonths:
    """Use in the first months and the covering policy's re-evaluation; None where the payer asks for none."""

    adherence: Adherence
    nights: int
    """How many of their nights are on record."""
    window: Reevaluation | None
    seen_on: date | None
    """The first day on which it was documented, not before the window opens; it may have closed by then."""


def nights_of(patient: Patient, *, since: date | None = None) -> list[Night]:
    """The standing nights, oldest first. One query."""
    rows = Night.objects.filter(patient=patient, voided_at=None)
    if since is not None:
        rows = rows.filter(night_on__gte=since)
    return list(rows.order_by("night_on"))


def imports_of(patient: Patient) -> list[NightImport]:
    """The files of nights, newest first, voided ones too."""
    rows = NightImport.objects.filter(patient=patient).select_related("recorded_by", "voided_by")
    return list(rows.order_by("-recorded_at", "-pk"))


def first_months(patient: Patient, nights: Sequence[Night], *, last_night_over: date) -> FirstMonths | None:
    """Use and re-evaluation in the first months; None where the start of therapy is not on record.

    The last night judged is the last that has data, or the last that is over where data reaches beyond it.
    """
    if patient.therapy_started_on is None:
        return None
    minutes = {night.night_on: night.usage_min for night in nights}
    through = min(max(minutes, default=patient.therapy_started_on), last_night_over)
    adherence = judge(minutes, started_on=patient.therapy_started_on, through=through)
    window = _window(patient, patient.therapy_started_on)
    seen = FollowUp.objects.filter(patient=patient, voided_at=None, is_reevaluation=True)
    if window is not None:
        seen = seen.filter(on__gte=window.first)
    known = sum(patient.therapy_started_on <= night <= adherence.last_night for night in minutes)
    return FirstMonths(adherence, known, window, seen.order_by("on").values_list("on", flat=True).first())


def leak_since(nights: Sequence[Night], lines: Sequence[PlanLine], *, as_of: date) -> list[LeakSince]:
    """What leak says of each cushion in use, by kind. Leak of a kind not known is compared with its like."""
    leaks = [
        LeakNight(night.night_on, night.usage_min, float(night.leak_p95), LeakKind(night.leak_kind))
        for night in nights
        if night.leak_p95 is not None
    ]
    found = []
    for line in lines:
        if line.kind not in CUSHIONS or line.in_use_since is None:
            continue
        used = comparable(leaks, since=line.in_use_since, as_of=as_of)
        kind = used[-1].kind if used else LeakKind.UNKNOWN
        found.append(
            LeakSince(
                Kind(line.kind), line.in_use_since, len(used), kind, look([night.leak_lpm for night in used])
            )
        )
    return found


def rising_leak(
    location_ids: Collection[int], *, today: date, recent: date
) -> list[tuple[Patient, list[LeakSince]]]:
    """Patients with nights since `recent` whose leak has risen since their cushion's start. Three queries."""
    people = Patient.objects.filter(status="on_therapy")
    if location_ids:
        people = people.filter(location__in=sorted(location_ids))
    people = (
        people.annotate(last_night=Max("nights__night_on", filter=Q(nights__voided_at=None)))
        .filter(last_night__gte=recent)
        .prefetch_related("plan_lines")
        .order_by("family_name", "given_name", "pk")
    )
    found = list(people)
    by_patient: dict[int, list[Night]] = {person.pk: [] for person in found}
    for night in Night.objects.filter(patient__in=by_patient, voided_at=None).order_by("night_on"):
        by_patient[night.patient_id].append(night)
    risen: list[tuple[Patient, list[LeakSince]]] = []
    for person in found:
        looks = [
            leak
            for leak in leak_since(by_patient[person.pk], list(person.plan_lines.all()), as_of=today)
            if leak.look.found
        ]
        if looks:
            risen.append((person, looks))
    return risen


def window_of(payer: Payer, started_on: date) -> Reevaluation | None:
    """The window of a payer's policy, with the payer's own days where it has them; None: it asks for none."""
    rules = dict(shipped()[1])
    rule = rules.get(payer.reevaluation)
    if rule is None:
        return None
    first, last = payer.reevaluation_first or rule.first_day, payer.reevaluation_last or rule.last_day
    rules[rule.policy] = replace(rule, first_day=first, last_day=last)
    return reevaluation(started_on, policy=rule.policy, rules=rules)


def _window(patient: Patient, started_on: date) -> Reevaluation | None:
    """The re-evaluation window of who paid when therapy began."""
    covering = begun(patient, started_on).select_related("payer").first()
    return window_of(covering.payer, started_on) if covering and covering.payer else None
