"""The outlook worked out: the clinic's own pace from a sample of its refills, then demand, place by place.

One run at a time is under way: `go_on` does the next patients of a location in one transaction, under its
row's lock, so many that a ring lasts seconds; what is counted so far of the location stays in the row. The
sweep goes on by one of them at a ring, and begins a new run each day; a job does all of one at once.
When the last location is done the run is shown, and those before it are dropped: all of it is derived.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import Any, NotRequired, TypedDict, cast

from django.db import transaction

from resupply.models import (
    DispenseLine,
    LifeVersion,
    Location,
    OutlookRow,
    OutlookRun,
    PlanLine,
)
from resupply.queries import facts as fact_queries
from resupply.queries.open_days import open_days
from resupply.queries.plans import to_plan
from resupply.rules.bundling import OpenDays, Refill, reach
from resupply.rules.chains import chain, terms_of
from resupply.rules.demand import WEEKS, Tally, by_week
from resupply.rules.facts import CoverageSpan, PatientFacts, Policy
from resupply.rules.facts import LifeVersion as Life
from resupply.rules.lines import LinePlan
from resupply.rules.periods import Period, Unit
from resupply.services.chunks import chunks
from resupply.services.jobs import JobFile, Progress, register
from resupply.services.jobs.kinds import Params
from resupply.services.outlook_pace import BATCH, Paces, Seen, look_back

OUTLOOK = "outlook"
AT_A_RING = 2_000
"""Patients of a location that one ring looks at."""
Key = tuple[int, int | None, str, str]
"""Location, item, kind, code."""


class Part(TypedDict):
    """What was counted so far of one item (None: of a code) at the location under way: a `Tally`."""

    item: int | None
    kind: str
    code: str
    tally: dict[str, Any]


class State(TypedDict):
    """What `OutlookRun.delays` holds: what was seen, the locations still to do, and of the last of them the
    patient it goes on after and what was counted so far.
    """

    seen: list[Seen]
    left: list[int]
    after: NotRequired[int]
    parts: NotRequired[list[Part]]


@register(OUTLOOK)
def work_out(params: Params, progress: Progress, *, now: datetime) -> JobFile | None:
    """Do a whole run, location by location; `as_of` is its day."""
    today = date.fromisoformat(str(params["as_of"]))
    run = begin(today=today, now=now)
    of = Location.objects.count()
    while left := go_on(run.pk):
        progress(of - left, of)
        progress.keep({"run": run.pk})
    progress(of, of)
    progress.say(f"Parts needed in {WEEKS} weeks at {of} locations.")
    return None


def keep_up(*, today: date, now: datetime) -> bool:
    """Do a ring's part of the day's run; False where the day's outlook stands already."""
    newest = OutlookRun.objects.first()
    if newest is not None and newest.is_done and newest.as_of >= today:
        return False
    go_on(begin(today=today, now=now).pk)
    return True


def begin(*, today: date, now: datetime) -> OutlookRun:
    """The run under way, or a new one with what was seen of the clinic's pace."""
    under_way = OutlookRun.objects.filter(is_done=False, as_of=today).first()
    if under_way is not None:
        return under_way
    state = State(seen=look_back(today=today), left=list(Location.objects.values_list("pk", flat=True)))
    first_day = today - timedelta(days=today.weekday())
    return OutlookRun.objects.create(as_of=today, first_day=first_day, made_at=now, delays=state)


def go_on(run_id: int) -> int:
    """Do the next patients of a run; returns how many locations are left. Two at once take turns."""
    with transaction.atomic():
        run = OutlookRun.objects.select_for_update().filter(pk=run_id).first()
        if run is None or run.is_done:
            return 0
        state = cast("State", run.delays)
        if state["left"]:
            place, tallies = state["left"][-1], _taken_up(state)
            after = demand_at(
                place, tallies, Paces(state["seen"]), after=state.get("after", 0), today=run.as_of
            )
            if after:
                state["after"], state["parts"] = after, _laid_down(tallies)
            else:
                _store(run, tallies)
                state["left"].pop()
                state["after"], state["parts"] = 0, []
        run.is_done = not state["left"]
        run.save(update_fields=["delays", "is_done"])
        if run.is_done:
            OutlookRun.objects.filter(pk__lt=run.pk).delete()
        return len(state["left"])


def _taken_up(state: State) -> dict[Key, Tally]:
    """What was counted so far of the location under way."""
    place = state["left"][-1]
    return defaultdict(
        Tally,
        {
            (place, part["item"], part["kind"], part["code"]): Tally(**part["tally"])
            for part in state.get("parts", [])
        },
    )


def _laid_down(tallies: Mapping[Key, Tally]) -> list[Part]:
    return [
        Part(item=item, kind=kind, code=code, tally=asdict(tally))
        for (_, item, kind, code), tally in tallies.items()
    ]


def _store(run: OutlookRun, tallies: Mapping[Key, Tally]) -> None:
    rows = []
    for (location, item, kind, code), tally in tallies.items():
        if not tally.refills:
            continue
        ranges = tally.ranges()
        rows.append(
            OutlookRow(
                run=run,
                location_id=location,
                item_id=item,
                kind=kind,
                part_code=code,
                refills=tally.refills,
                on_time=tally.on_time,
                expected=tally.expected,
                variance=tally.variance,
                low=[low for low, _ in ranges],
                high=[high for _, high in ranges],
                later_on_time=tally.later_on_time,
                later=tally.later,
            )
        )
    OutlookRow.objects.bulk_create(rows, batch_size=500)


def demand_at(location: int, tallies: dict[Key, Tally], pace: Paces, *, after: int, today: date) -> int:
    """Add the demand of the next patients of a location, from their stored plans; returns the last of them,
    or 0 where none is left.
    """
    opened, policy = open_days([location], since=today)[location], fact_queries.policy()
    lines = PlanLine.objects.filter(location=location, active=True)
    everyone = (
        lines.filter(patient__gt=after).order_by("patient").values_list("patient", flat=True).distinct()
    )
    patients = list(everyone[: AT_A_RING + 1])
    is_more, patients = len(patients) > AT_A_RING, patients[:AT_A_RING]
    for batch in chunks(patients, size=BATCH):
        own, items = _own_lives(batch), _items(batch)
        for row in lines.filter(patient__in=batch):
            payer = fact_queries.payer_key(row.payer_id)
            known = PatientFacts(
                coverage=(CoverageSpan(date.min, payer),), own_lives=own.get(row.patient_id, {})
            )
            key = (location, items.get((row.patient_id, row.kind, row.part_code)), row.kind, row.part_code)
            _count(tallies[key], location, to_plan(row), known, policy, opened, pace, today=today)
    return patients[-1] if is_more else 0


def _count(
    tally: Tally,
    location: int,
    line: LinePlan,
    known: PatientFacts,
    policy: Policy,
    opened: OpenDays,
    pace: Paces,
    *,
    today: date,
) -> None:
    """Add the refills of one line."""
    until = WEEKS * 7 - today.weekday()
    terms = terms_of(line, known, policy, as_of=today)
    horizon = today + timedelta(days=until)
    refills = list(chain(line, terms, opened, earliest=today, as_of=today, until=horizon))
    if not refills:
        return
    met = [reach(refill, opened) for refill in refills]
    given = [
        max(one.refill_on, on.first) if on.is_late else one.refill_on
        for one, on in zip(refills, met, strict=True)
    ]
    gaps = tuple((after.refill_on - on).days for after, on in zip(refills[1:], given, strict=False))
    first = max(refills[0].refill_on, _paused_until(refills[0], today))
    waits = refills[0].opens_on < today and first == refills[0].refill_on
    days = pace.chances(location, line.kind.value, (first - today).days, gaps, waits=waits, until=until)
    for refill, on, chances in zip(refills, met, days, strict=True):
        week = ((on.last - today).days + today.weekday()) // 7
        tally.add(refill.quantity, on_time_week=week, chances=by_week(chances, weekday=today.weekday()))


def _paused_until(refill: Refill, today: date) -> date:
    """The end of a pause that the refill has to wait for."""
    return refill.not_before if refill.not_before > today else date.min


def _own_lives(patients: Sequence[int]) -> dict[int, dict[str, tuple[Life, ...]]]:
    """Own lives by patient and code, in the order of recording. One query."""
    found: dict[int, dict[str, tuple[Life, ...]]] = defaultdict(dict)
    for row in LifeVersion.objects.standing().filter(patient__in=patients).order_by("pk"):
        life = Period(row.period_count, Unit(row.period_unit)) if row.period_count else None
        own = found[row.patient_id or 0]
        own[row.part_code] = (*own.get(row.part_code, ()), Life(row.effective_from, life))
    return found


def _items(patients: Sequence[int]) -> dict[tuple[int, str, str], int | None]:
    """The item each patient was given last of a kind and code. One query."""
    rows = (
        DispenseLine.objects.standing()
        .filter(dispense__patient__in=patients, dispense__voided_at=None, item__isnull=False)
        .order_by("dispense__patient", "kind", "part_code", "-dispense__dispensed_on", "-pk")
        .distinct("dispense__patient", "kind", "part_code")
        .values_list("dispense__patient", "kind", "part_code", "item")
    )
    return {(patient, kind, code): item for patient, kind, code, item in rows}
