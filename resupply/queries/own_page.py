"""What a patient's own page shows: the cleaning of a day, a month of it, what is coming, what was told.

Everything is worked out for the day given, from the stored plan and the patient's own ticks.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from resupply.models import (
    CleaningTick,
    Event,
    EventType,
    Patient,
    PatientReport,
    PatientStatus,
    PlanChecklist,
    PlanLine,
    Told,
)
from resupply.queries.plans import to_plan
from resupply.rules.cleaning import (
    Checklist,
    CleaningTask,
    Frequency,
    cleaning_tasks,
    dates,
    first_use_wash,
    first_use_washes,
)
from resupply.rules.kinds import PLACE, Kind
from resupply.rules.lines import LinePlan

AHEAD = timedelta(days=92)
"""How far "coming up" looks."""
MOST_COMING = 6
ONE_DAY = timedelta(days=1)


class Why(StrEnum):
    """Why a task stands on a day's list."""

    CHECKLIST = "checklist"
    FIRST_USE = "first_use"
    ILL = "ill"


@dataclass(frozen=True, slots=True)
class Chore:
    """A task of a day; `kinds`: the new parts, for a wash before first use."""

    task: CleaningTask
    why: Why
    is_done: bool
    kinds: tuple[Kind, ...] = ()


@dataclass(frozen=True, slots=True)
class Coming:
    """Today or a day ahead: parts to change, parts that run out, parts that may be asked about."""

    on: date
    change: tuple[Kind, ...]
    needed: tuple[Kind, ...]
    ask: tuple[Kind, ...]


class DayState(StrEnum):
    """A day of the month view."""

    NONE = "none"
    ALL = "all"
    SOME = "some"
    OPEN = "open"
    AHEAD = "ahead"


def lines(patient: Patient) -> list[LinePlan]:
    """The patient's lines, the mask first. One query."""
    found = [to_plan(row) for row in PlanLine.objects.filter(patient=patient)]
    return sorted(found, key=lambda line: PLACE[line.kind])


def series(patient: Patient) -> list[Checklist]:
    """The patient's checklists; none where not on therapy. One query."""
    return [
        Checklist(Frequency(row.frequency), row.starts_on, row.ends_on, tuple(row.tasks))
        for row in PlanChecklist.objects.filter(patient=patient)
    ]


def chores(
    patient: Patient, plan: Sequence[LinePlan], checklists: Sequence[Checklist], *, day: date
) -> list[Chore]:
    """The tasks of a day: of its checklists, new parts to wash first, more washes after an illness; with what
    is ticked off. Two queries.
    """
    if patient.status != PatientStatus.ON_THERAPY or any(_in_pause(line, day) for line in plan):
        return []
    ticked = set(
        CleaningTick.objects.filter(patient=patient, day=day, voided_at=None).values_list("task", flat=True)
    )
    ill = PatientReport.objects.filter(patient=patient, told=Told.ILL, on=day, voided_at=None).exists()
    due = due_on(patient, checklists, day)
    found = [Chore(task, Why.CHECKLIST, code in ticked) for code, task in _tasks(due)]
    starts = {line.kind: [day] for line in plan if line.in_use_since == day}
    for wash in first_use_washes(starts):
        task = first_use_wash()
        found.append(Chore(task, Why.FIRST_USE, task.code in ticked, wash.kinds))
    if ill:
        going_on = {code for one in checklists if _runs_on(one, day) for code in one.tasks}
        found += [
            Chore(task, Why.ILL, code in ticked)
            for code, task in _tasks(going_on - due)
            if task.after_illness
        ]
    return found


def due_on(patient: Patient, checklists: Iterable[Checklist], day: date) -> set[str]:
    """Codes of the tasks whose checklist falls on a day."""
    return {
        code
        for one in checklists
        if _runs_on(one, day) and any(True for _ in _days(patient, one, day, day + ONE_DAY))
        for code in one.tasks
    }


def next_weekly(patient: Patient, checklists: Iterable[Checklist], *, today: date) -> date | None:
    """The next day of the weekly checklist after today."""
    start = today + ONE_DAY
    weekly = [one for one in checklists if one.frequency is Frequency.WEEKLY]
    found = [day for one in weekly for day in _days(patient, one, start, start + timedelta(days=14))]
    return min(found, default=None)


def month(
    patient: Patient, checklists: Sequence[Checklist], *, first: date, today: date, since: date
) -> list[tuple[date, DayState]]:
    """Each day of the month that begins on `first`, and how its checklists stand. Days before `since`, when
    nobody could tick anything off, have nothing. One query.
    """
    until = (first + timedelta(days=31)).replace(day=1)
    due: dict[date, set[str]] = {}
    for one in checklists:
        for day in _days(patient, one, max(first, since), until):
            due.setdefault(day, set()).update(one.tasks)
    ticked: dict[date, set[str]] = {}
    rows = CleaningTick.objects.filter(patient=patient, day__gte=first, day__lt=until, voided_at=None)
    for day, task in rows.values_list("day", "task"):
        ticked.setdefault(day, set()).add(task)
    days = [first + timedelta(days=n) for n in range((until - first).days)]
    return [(day, _state(due.get(day), ticked.get(day, set()), day, today)) for day in days]


def first_tick(patient: Patient) -> date | None:
    """The day of the first tick that stands."""
    return (
        CleaningTick.objects.filter(patient=patient, voided_at=None)
        .order_by("day")
        .values_list("day", flat=True)
        .first()
    )


def coming(plan: Sequence[LinePlan], *, today: date) -> list[Coming]:
    """What today and the next days bring, day by day; nothing of a pause, which moves every date."""
    days: dict[date, tuple[list[Kind], list[Kind], list[Kind]]] = {}
    for line in plan:
        for place, on in _dates_of(line):
            if today <= on <= today + AHEAD and not _in_pause(line, on):
                days.setdefault(on, ([], [], []))[place].append(line.kind)
    found = [Coming(on, *(tuple(kinds) for kinds in days[on])) for on in sorted(days)]
    return found[:MOST_COMING]


def worn_out(plan: Sequence[LinePlan], *, today: date) -> list[Kind]:
    """Kinds past their date with no spare; none during a pause."""
    return [line.kind for line in plan if line.supply_ends_on < today and not _in_pause(line, today)]


def open_pause(patient: Patient, *, today: date) -> Event | None:
    """The pause that goes on today without an end. One query."""
    pauses = Event.objects.filter(
        patient=patient, event=EventType.PAUSE, until=None, on__lte=today, voided_at=None
    )
    return pauses.order_by("-on", "-pk").first()


def _dates_of(line: LinePlan) -> Iterator[tuple[int, date]]:
    """Changes (0), the end of supply (1) and the time to ask (2)."""
    yield from ((0, on) for on in line.changes_on)
    yield 1, line.supply_ends_on
    yield 2, line.ask_from


def _in_pause(line: LinePlan, day: date) -> bool:
    return (
        line.paused_from is not None
        and line.paused_from <= day
        and (line.paused_until is None or day < line.paused_until)
    )


def _tasks(codes: set[str]) -> list[tuple[str, CleaningTask]]:
    """Tasks in the order in which a person does them."""
    return [(code, task) for code, task in cleaning_tasks().items() if code in codes]


def _runs_on(one: Checklist, day: date) -> bool:
    return one.starts_on <= day and (one.ends_on is None or day < one.ends_on)


def _days(patient: Patient, one: Checklist, start: date, end: date) -> Iterator[date]:
    return dates(
        one,
        weekday=patient.cleaning_weekday,
        month_day=patient.cleaning_month_day,
        start=start,
        end=end,
    )


def _state(due: set[str] | None, ticked: set[str], day: date, today: date) -> DayState:
    if not due:
        return DayState.NONE
    if due <= ticked:
        return DayState.ALL
    if due & ticked:
        return DayState.SOME
    return DayState.AHEAD if day >= today else DayState.OPEN
