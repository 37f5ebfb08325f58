"""Follow-ups due: whom to contact after therapy began or a mask was fitted, and what was said so far."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Max, Q, QuerySet
from django.db.models.functions import Greatest

from resupply.models import FittingOutcome, FollowUp, FollowUpPlanVersion, Patient, PatientStatus
from resupply.rules.follow_ups import SHIPPED, DueStep, FollowUpState, FollowUpStep, due_steps, state

ASKED_FOR_AFTER = timedelta(days=60)
"""A step that long past its last day is history, not work."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of a patient's plan and how it stands."""

    due: DueStep
    state: FollowUpState


@dataclass(frozen=True, slots=True)
class Work:
    """A patient to be contacted: the open step, since when, and the latest follow-up."""

    patient: Patient
    anchor: date
    step: Step
    latest: FollowUp | None


def plan_on(day: date) -> Sequence[FollowUpStep]:
    """The plan in force on a day: the clinic's newest version begun by then, else the shipped one."""
    version = (
        FollowUpPlanVersion.objects.filter(voided_at=None, effective_from__lte=day)
        .order_by("-effective_from", "-pk")
        .first()
    )
    return tuple(FollowUpStep(**row) for row in version.steps) if version else SHIPPED


def plan_versions() -> list[FollowUpPlanVersion]:
    """All versions, newest first, voided ones too."""
    rows = FollowUpPlanVersion.objects.select_related("recorded_by", "voided_by")
    return list(rows.order_by("-effective_from", "-pk"))


def follow_ups(patient: Patient) -> list[FollowUp]:
    """A patient's follow-ups, newest first, voided ones too."""
    rows = FollowUp.objects.filter(patient=patient).select_related("recorded_by", "voided_by")
    return list(rows.order_by("-on", "-pk"))


def steps_of(patient: Patient, *, today: date) -> list[Step]:
    """The steps of one patient's plan; none where neither therapy's start nor a fitting is on record."""
    person = with_anchor().filter(pk=patient.pk).first()
    if person is None or person.anchor is None:
        return []
    reached = [row.on for row in follow_ups(patient) if row.reached and not row.is_voided]
    return _steps(person.anchor, plan_on(today), reached, today)


def work_list(location_ids: Collection[int], *, today: date) -> list[Work]:
    """Patients on therapy with a step that is due or late, the earliest last day first. Three queries.

    A patient tried in vain is left out until the day noted; one step a patient, the earliest that is open.
    """
    plan = plan_on(today)
    if not plan:
        return []
    oldest = today - timedelta(days=max(step.to_day for step in plan)) - ASKED_FOR_AFTER
    people = with_anchor().filter(status=PatientStatus.ON_THERAPY, anchor__gte=oldest, anchor__lte=today)
    if location_ids:
        people = people.filter(location__in=sorted(location_ids))
    found = list(people.select_related("location").order_by("family_name", "given_name", "pk"))
    made = _made(found)
    work = [work for person in found if (work := _work(person, made[person.pk], plan, today))]
    return sorted(work, key=lambda work: work.step.due.last)


def due_for(day: date, patients: Collection[int] | None = None) -> dict[int, DueStep]:
    """The step that is due on a day, of several the earliest, by patient on therapy (None: of all); one that
    is late is for a person. Three queries.
    """
    plan = plan_on(day)
    if not plan:
        return {}
    longest = timedelta(days=max(step.to_day for step in plan))
    begun = Q(therapy_started_on__gte=day - longest) | Q(fittings__fitted_on__gte=day - longest)
    some = Patient.objects.filter(begun, status=PatientStatus.ON_THERAPY)
    if patients is not None:
        some = some.filter(pk__in=patients)
    people = list(with_anchor().filter(pk__in=some.values("pk"), anchor__lte=day))
    made = _made(people)
    found: dict[int, DueStep] = {}
    for person in people:
        rows = made[person.pk]
        if rows and rows[-1].again_on and rows[-1].again_on > day:
            continue
        reached = [row.on for row in rows if row.reached]
        for step in _steps(person.anchor, plan, reached, day):
            if step.state is FollowUpState.DUE:
                found.setdefault(person.pk, step.due)
    return found


def _made(people: Collection[Patient]) -> dict[int, list[FollowUp]]:
    """The standing follow-ups of these patients, oldest first. One query."""
    made: dict[int, list[FollowUp]] = defaultdict(list)
    for row in FollowUp.objects.filter(patient__in=people, voided_at=None).order_by("on", "pk"):
        made[row.patient_id].append(row)
    return made


def with_anchor() -> QuerySet[Any]:
    """Patients with `anchor`: the later of the first night and the latest fitting that kept a mask."""
    kept = Max(
        "fittings__fitted_on",
        filter=Q(fittings__outcome=FittingOutcome.KEPT, fittings__voided_at=None),
    )
    return Patient.objects.annotate(kept_on=kept).annotate(anchor=Greatest("therapy_started_on", "kept_on"))


def _steps(anchor: date, plan: Sequence[FollowUpStep], reached: Sequence[date], today: date) -> list[Step]:
    return [Step(due, state(due, reached, as_of=today)) for due in due_steps(anchor, plan)]


def _work(person: Any, made: Sequence[FollowUp], plan: Sequence[FollowUpStep], today: date) -> Work | None:
    """What is to be done about one patient today; None: nothing."""
    latest = made[-1] if made else None
    if latest and latest.again_on and latest.again_on > today:
        return None
    reached = [row.on for row in made if row.reached]
    for step in _steps(person.anchor, plan, reached, today):
        is_open = step.state in {FollowUpState.DUE, FollowUpState.LATE}
        if is_open and step.due.last + ASKED_FOR_AFTER >= today:
            return Work(person, person.anchor, step, latest)
    return None
