"""The outlook worked out: the clinic's own pace from a sample of its refills, then demand, place by place.

One run at a time is under way: `go_on` does the next location of it in one transaction, under its row's
lock. The sweep goes on by one location at a ring, and begins a new run each day; a job does all of one at
once. When the last location is done the run is shown, and those before it are dropped: all of it is derived.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TypedDict, cast

from django.db import transaction

from resupply.models import (
    DispenseLine,
    LifeVersion,
    Location,
    OutlookRow,
    OutlookRun,
    Patient,
    PatientStatus,
    PlanLine,
)
from resupply.queries import facts as fact_queries
from resupply.queries.open_days import open_days
from resupply.queries.plans import to_plan
from resupply.rules.bundling import OpenDays, Refill, reach
from resupply.rules.chains import chain, terms_of
from resupply.rules.delays import Curve, Delay, kaplan_meier
from resupply.rules.demand import WEEKS, Tally, by_week, paces
from resupply.rules.facts import CoverageSpan, PatientFacts, Policy
from resupply.rules.facts import LifeVersion as Life
from resupply.rules.lines import LinePlan, plan_lines
from resupply.rules.periods import Period, Unit
from resupply.services.jobs import JobFile, Progress, register
from resupply.services.jobs.kinds import Params

OUTLOOK = "outlook"
SAMPLE = 3_000
"""Patients whose refills of the last year tell the clinic's pace."""
LOOKED_BACK = timedelta(days=365)
ENOUGH = 30
"""Dispenses of a kind at a location from which on its own pace is used, not that of all locations (ours)."""
BATCH = 500
Key = tuple[int, int | None, str, str]
"""Location, item, kind, code."""


class Seen(TypedDict):
    """Refills of one kind at one location: days as text -> how many were dispensed then, and how many still
    wait.
    """

    location: int
    kind: str
    known: dict[str, int]
    open: dict[str, int]


class State(TypedDict):
    """What `OutlookRun.delays` holds: what was seen, and the locations still to do."""

    seen: list[Seen]
    left: list[int]


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
    """Do one location of the day's run; False where the day's outlook stands already."""
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
    """Do the next location of a run; returns how many are left. Two at once do one after the other."""
    with transaction.atomic():
        run = OutlookRun.objects.select_for_update().filter(pk=run_id).first()
        if run is None or run.is_done:
            return 0
        state = cast("State", run.delays)
        if state["left"]:
            place = state["left"].pop()
            _store(run, demand_at(place, Paces(state["seen"]), today=run.as_of))
        run.is_done = not state["left"]
        run.save(update_fields=["delays", "is_done"])
        if run.is_done:
            OutlookRun.objects.filter(pk__lt=run.pk).delete()
        return len(state["left"])


def _store(run: OutlookRun, tallies: Mapping[Key, Tally]) -> None:
    rows = []
    for (location, item, kind, code), tally in tallies.items():
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


# --- the clinic's own pace ---


def look_back(*, today: date) -> list[Seen]:
    """Refills of the last year of a sample of patients on therapy: their window opened within that year.

    A part counts as a refill where it came in its window or after it. Who is in a pause is left out.
    """
    since = today - LOOKED_BACK
    everyone = Patient.objects.filter(status=PatientStatus.ON_THERAPY).order_by("pk")
    keys = list(everyone.values_list("pk", "location"))
    sample = dict(keys[:: max(1, len(keys) // SAMPLE)])
    seen: dict[tuple[int, str], tuple[Counter[str], Counter[str]]] = {}
    policy = fact_queries.policy()
    for batch in _batches(list(sample)):
        for pk, facts in fact_queries.patient_facts(batch).items():
            for line, delay in delays_of(facts, policy, since=since, today=today):
                known, still = seen.setdefault((sample[pk], line.kind.value), (Counter(), Counter()))
                (known if delay.is_known else still)[str(delay.days)] += 1
    return [
        Seen(location=location, kind=kind, known=dict(known), open=dict(still))
        for (location, kind), (known, still) in sorted(seen.items())
    ]


def delays_of(
    facts: PatientFacts, policy: Policy, *, since: date, today: date
) -> Iterator[tuple[LinePlan, Delay]]:
    """The refills of a patient whose window opened from a day on, each with the line as it stood before."""
    for day in sorted({given.on for given in facts.deliveries if since < given.on < today}):
        came = {given.kind for given in facts.deliveries if given.on == day}
        for line in plan_lines(facts, policy, as_of=day - timedelta(days=1)):
            if line.kind in came and since <= line.deliver_from <= day:
                yield line, Delay((day - line.refill_on).days, True)
    yesterday = today - timedelta(days=1)
    for line in plan_lines(facts, policy, as_of=yesterday):
        if since <= line.deliver_from <= yesterday and line.paused_from is None:
            yield line, Delay((yesterday - line.refill_on).days, False)


@dataclass(slots=True)
class Paces:
    """Curves by location and kind: its own where enough was seen, else that of all locations, else of all.

    Where even that is too little, refills count on their refill date, or today: nothing must be ordered short
    because a clinic is new.
    """

    seen: Sequence[Seen]
    curves: dict[tuple[int, str], Curve | None] = field(default_factory=dict)
    spread: dict[tuple[object, ...], list[list[float]]] = field(default_factory=dict)

    def of(self, location: int, kind: str) -> Curve | None:
        """The curve that counts for a kind at a location; None: too little is known."""
        if (location, kind) not in self.curves:
            here = [one for one in self.seen if one["kind"] == kind]
            for rows in ([one for one in here if one["location"] == location], here, list(self.seen)):
                curve = kaplan_meier(_delays(rows))
                if curve.dispensed >= ENOUGH:
                    self.curves[location, kind] = curve
                    break
            else:
                self.curves[location, kind] = None
        return self.curves[location, kind]

    def chances(
        self, location: int, kind: str, first: int, gaps: tuple[int, ...], *, waits: bool, until: int
    ) -> list[list[float]]:
        """`demand.paces` of a chain; chains alike are worked out once. `waits`: its window has opened."""
        key = (location, kind, first, gaps, waits)
        if key not in self.spread:
            curve = self.of(location, kind)
            others = curve.chances() if curve else [(0, 1.0)]
            own = others
            if waits:
                own = curve.chances_beyond(-first - 1) if curve else [(max(-first, 0), 1.0)]
            self.spread[key] = paces(first, gaps, first_chances=own, chances=others, until=until)
        return self.spread[key]


def _delays(rows: Iterable[Seen]) -> Iterator[Delay]:
    for row in rows:
        for days, number in row["known"].items():
            yield from [Delay(int(days), True)] * number
        for days, number in row["open"].items():
            yield from [Delay(int(days), False)] * number


# --- demand ---


def demand_at(location: int, pace: Paces, *, today: date) -> dict[Key, Tally]:
    """The demand of a location by item, from the stored plans of its patients on therapy."""
    tallies: dict[Key, Tally] = defaultdict(Tally)
    opened, policy = open_days([location], since=today)[location], fact_queries.policy()
    lines = PlanLine.objects.filter(location=location, active=True)
    patients = list(lines.order_by("patient").values_list("patient", flat=True).distinct())
    for batch in _batches(patients):
        own, items = _own_lives(batch), _items(batch)
        for row in lines.filter(patient__in=batch):
            payer = fact_queries.payer_key(row.payer_id)
            known = PatientFacts(
                coverage=(CoverageSpan(date.min, payer),), own_lives=own.get(row.patient_id, {})
            )
            key = (location, items.get((row.patient_id, row.kind, row.part_code)), row.kind, row.part_code)
            _count(tallies[key], location, to_plan(row), known, policy, opened, pace, today=today)
    return {key: tally for key, tally in tallies.items() if tally.refills}


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


def _batches(keys: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(keys), BATCH):
        yield keys[start : start + BATCH]
