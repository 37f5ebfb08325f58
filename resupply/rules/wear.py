"""Wear: which unit is in use, and until when.

The days of a line are walked in order. On day `d`, in this order: deliveries dated `d` join the spares (first
in, first out, also where the first is not ready yet); the unit in use leaves if it was lost on `d`; a refit
on `d` ends what it ends; a contained part that starts on `d` starts; otherwise the next spare starts when it
is ready and no unit is in use, or the unit in use is worn, or when the patient reported a swap on `d` (ready
or not). A report at most 14 days after a start that was only assumed corrects that start instead and uses up
no spare.

A unit started on `s` is worn on the first day `d` with `d >= s + life(in force on d) + paused days in [s,
d)`. With no spare a worn unit stays in use. Worn stays worn. Between recorded facts only a spare's start can
happen, on a day that can be worked out, so the walk goes from fact to fact and costs grow with units, not
with days.

Edge cases: a contained part starts on the day its mask starts, as that day is known on `as_of` (a later
report may correct it), so the mask line is walked first. Of several contained parts of one kind the last
listed counts. A refit ends units of another or no stated family; units of no stated family delivered that
very day belong to the new one. A second loss on one day finds no unit in use. Source: ours; no formula is
published (US CMS says patients need not count what remains).
"""

from collections import deque
from collections.abc import Iterable, Sequence
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from resupply.rules.facts import Delivery, LifeStep, PatientFacts, Policy, Refit, Schedule
from resupply.rules.kinds import REFIT_KINDS, Kind
from resupply.rules.pauses import Span, shifted, spans
from resupply.rules.periods import add
from resupply.rules.versions import life_schedule

CORRECTION_DAYS = 14
"""A swap reported at most this many days after an assumed start tells the true day of that start."""


class Start(StrEnum):
    """Why a unit started on its day."""

    FREE = "free"  # no unit was in use
    ASSUMED = "assumed"  # the unit in use was worn, and nobody reported a swap
    REPORTED = "reported"  # the patient reported the swap
    CORRECTED = "corrected"  # assumed first, then reported
    CONTAINED = "contained"  # it came with a mask that started


class Leave(StrEnum):
    """Why a unit is no longer in use."""

    REPLACED = "replaced"
    LOST = "lost"
    REFITTED = "refitted"


# Plain named tuples, not dataclasses: a rebuild makes millions of them, and they cost a fifth to make.
class Spare(NamedTuple):
    """A unit not yet in use; `ready_on` is its delivery day or the first-use day stated for it."""

    code: str
    family: str
    delivered_on: date
    ready_on: date
    contains: tuple[str, ...]
    ref: str


class Worn(NamedTuple):
    """When a unit is worn: `base` (start + life) plus paused days, not before the life's own version."""

    on: date
    base: date
    paused_days: int
    step: LifeStep


class UnitWear(NamedTuple):
    """A unit that is, was or is expected to be in use. `left_on` None: still in use, or not started yet."""

    spare: Spare
    started_on: date
    how: Start
    why_ref: str
    worn: Worn
    left_on: date | None = None
    left: Leave | None = None


class ContainedStart(NamedTuple):
    """A part that came with a mask, starting on that mask's first day."""

    on: date
    code: str
    family: str
    ref: str


class LineWear(NamedTuple):
    """A line's units as of a day. `units` are all that started, in order; `projected` the spares to come."""

    kind: Kind
    code: str
    units: tuple[UnitWear, ...]
    in_use: UnitWear | None
    projected: tuple[UnitWear, ...]
    ended_spares: tuple[tuple[Spare, Refit], ...]
    supply_ends_on: date
    latest_delivery_on: date | None
    latest_contained_on: date | None


def walk(facts: PatientFacts, policy: Policy, *, as_of: date) -> tuple[LineWear, ...]:
    """Every line of a patient that ever had a unit, as of a day, ordered by kind. Later facts are ignored."""
    paused = spans(facts.pauses, as_of=as_of)
    by_kind: dict[Kind, list[Delivery]] = {}
    for delivery in sorted(facts.deliveries, key=_day_of_delivery):
        if delivery.on <= as_of:
            by_kind.setdefault(delivery.kind, []).append(delivery)
    contained: dict[Kind, list[ContainedStart]] = {}
    lines: list[LineWear] = []
    if Kind.MASK in by_kind:
        mask = _Line(Kind.MASK, facts, policy, paused, as_of).walk(by_kind.pop(Kind.MASK), ())
        lines.append(mask)
        contained = _contained_starts(mask.units, policy)
    for kind in sorted(by_kind.keys() | contained.keys()):
        line = _Line(kind, facts, policy, paused, as_of)
        lines.append(line.walk(by_kind.get(kind, ()), contained.get(kind, ())))
    lines.sort(key=_kind_of_line)
    return tuple(lines)


def worn(start: date, schedule: Schedule, paused: Sequence[Span]) -> Worn:
    """When a unit started on `start` is worn, with the version and paused days that decide it."""
    if len(schedule) == 1 and not paused:  # the usual case
        base = add(start, schedule[0].life)
        return Worn(base, base, 0, schedule[0])
    for position, step in enumerate(schedule):
        following = schedule[position + 1].start if position + 1 < len(schedule) else None
        if following is not None and following <= start:
            continue
        base = add(start, step.life)
        day, days = shifted(start, base, paused) if paused else (base, 0)
        day = max(day, step.start)
        if following is None or day < following:
            return Worn(day, base, days, step)
    raise ValueError("a schedule has at least one step")


def _day_of_delivery(delivery: Delivery) -> date:
    return delivery.on


def _kind_of_line(line: LineWear) -> str:
    return line.kind


def _contained_starts(masks: Iterable[UnitWear], policy: Policy) -> dict[Kind, list[ContainedStart]]:
    """Starts of contained parts by kind; of several of one kind in one mask, the last listed."""
    starts: dict[Kind, list[ContainedStart]] = {}
    for mask in masks:
        by_kind = {policy.kinds[code]: code for code in mask.spare.contains}
        for kind, code in by_kind.items():
            start = ContainedStart(mask.started_on, code, mask.spare.family, mask.spare.ref)
            starts.setdefault(kind, []).append(start)
    return starts


class _Happening:
    """What is recorded for one line on one day."""

    __slots__ = ("contained", "deliveries", "loss", "refits", "swap")

    def __init__(self) -> None:
        self.deliveries: list[Delivery] = []
        self.loss: str | None = None
        self.refits: list[Refit] = []
        self.contained: ContainedStart | None = None
        self.swap: str | None = None


class _Line:
    """The walk of one line."""

    def __init__(
        self, kind: Kind, facts: PatientFacts, policy: Policy, paused: tuple[Span, ...], as_of: date
    ) -> None:
        self.kind, self.facts, self.policy, self.paused, self.as_of = kind, facts, policy, paused, as_of
        self.spares: deque[Spare] = deque()
        self.unit: UnitWear | None = None
        self.units: list[UnitWear] = []  # those that left
        self.ended: list[tuple[Spare, Refit]] = []
        self.last_left_on = date.min
        self.schedules: dict[str, Schedule] = {}

    def walk(self, deliveries: Sequence[Delivery], contained: Sequence[ContainedStart]) -> LineWear:
        days = self._happenings(deliveries, contained)
        for day in sorted(days):
            self._start_spares_before(day)
            self._live(day, days[day])
        self._start_spares_before(None)
        projected = self._projected()
        last = projected[-1] if projected else self.unit
        units = [*self.units, self.unit] if self.unit else self.units
        return LineWear(
            self.kind,
            deliveries[-1].code if deliveries else contained[-1].code,
            tuple(units),
            self.unit,
            projected,
            tuple(self.ended),
            last.worn.on if last else self.last_left_on,
            deliveries[-1].on if deliveries else None,
            contained[-1].on if contained else None,
        )

    def _happenings(
        self, deliveries: Sequence[Delivery], contained: Sequence[ContainedStart]
    ) -> dict[date, _Happening]:
        days: dict[date, _Happening] = {}

        def on(day: date) -> _Happening:
            found = days.get(day)
            if found is None:
                found = days[day] = _Happening()
            return found

        for delivery in deliveries:
            on(delivery.on).deliveries.append(delivery)
        for start in contained:
            on(start.on).contained = start
        for loss in self.facts.losses:
            if loss.kind == self.kind and loss.on <= self.as_of:
                on(loss.on).loss = loss.ref
        for swap in self.facts.swaps:
            if swap.kind == self.kind and swap.on <= self.as_of:
                on(swap.on).swap = swap.ref
        if self.kind in REFIT_KINDS:
            for refit in self.facts.refits:
                if refit.on <= self.as_of:
                    on(refit.on).refits.append(refit)
        return days

    def _live(self, day: date, happening: _Happening) -> None:
        """One day with something recorded, in the order of the rule."""
        for delivery in happening.deliveries:
            self._join(delivery)
        if happening.loss is not None and self.unit:
            self._leave(day, Leave.LOST)
        for refit in happening.refits:
            self._refit(refit)
        if happening.contained is not None:
            self._start_contained(happening.contained)
            return
        following = self.spares[0] if self.spares else None
        swap = happening.swap
        if following and following.ready_on <= day and (self.unit is None or self.unit.worn.on <= day):
            if swap is not None:
                self._start(day, Start.REPORTED, swap)
            else:
                self._start(day, Start.ASSUMED if self.unit else Start.FREE)
        elif swap is not None:
            self._swap(day, swap)

    def _join(self, delivery: Delivery) -> None:
        on, first = delivery.on, delivery.first_use_on
        code, family, contains, ref = delivery.code, delivery.family, delivery.contains, delivery.ref
        self.spares.append(Spare(code, family, on, max(first, on) if first else on, contains, ref))
        if delivery.quantity > 1:
            self.spares.extend([Spare(code, family, on, on, contains, ref)] * (delivery.quantity - 1))

    def _leave(self, day: date, how: Leave) -> None:
        if self.unit:
            spare, started_on, why, why_ref, worn_, _, _ = self.unit  # half the cost of _replace
            self.units.append(UnitWear(spare, started_on, why, why_ref, worn_, day, how))
            self.unit = None
            self.last_left_on = max(self.last_left_on, day)

    def _refit(self, refit: Refit) -> None:
        if self.unit and self.unit.spare.family != refit.family:
            self._leave(refit.on, Leave.REFITTED)
        kept: deque[Spare] = deque()
        for spare in self.spares:
            if spare.family == refit.family:
                kept.append(spare)
            elif not spare.family and spare.delivered_on == refit.on:
                kept.append(spare._replace(family=refit.family))
            else:
                self.ended.append((spare, refit))
                self.last_left_on = max(self.last_left_on, refit.on)
        self.spares = kept

    def _start(self, day: date, how: Start, why_ref: str = "") -> None:
        """The next spare starts; a unit still in use is replaced."""
        self._leave(day, Leave.REPLACED)
        self.unit = self._unit(self.spares.popleft(), day, how, why_ref)

    def _start_contained(self, start: ContainedStart) -> None:
        self._leave(start.on, Leave.REPLACED)
        spare = Spare(start.code, start.family, start.on, start.on, (), start.ref)
        self.unit = self._unit(spare, start.on, Start.CONTAINED, start.ref)

    def _swap(self, day: date, ref: str) -> None:
        """A reported swap: corrects a recent assumption, else starts the next spare, ready or not."""
        unit = self.unit
        if unit and unit.how is Start.ASSUMED and (day - unit.started_on).days <= CORRECTION_DAYS:
            self.unit = self._unit(unit.spare, day, Start.CORRECTED, ref)
            if self.units:
                self.units[-1] = self.units[-1]._replace(left_on=day)
        elif self.spares:
            self._start(day, Start.REPORTED, ref)

    def _start_spares_before(self, day: date | None) -> None:
        """Starts that happen by themselves before a day (None: up to and on `as_of`)."""
        while self.spares:
            following = self.spares[0]
            start = max(self.unit.worn.on, following.ready_on) if self.unit else following.ready_on
            if start > self.as_of or (day is not None and start >= day):
                return
            self._start(start, Start.ASSUMED if self.unit else Start.FREE)

    def _projected(self) -> tuple[UnitWear, ...]:
        """The spares as they are expected to start, one when the other is worn, with no further facts."""
        projected: list[UnitWear] = []
        before = self.unit
        for spare in self.spares:
            start = max(before.worn.on, spare.ready_on) if before else spare.ready_on
            before = self._unit(spare, start, Start.ASSUMED if before else Start.FREE, "")
            projected.append(before)
        return tuple(projected)

    def _unit(self, spare: Spare, start: date, how: Start, why_ref: str) -> UnitWear:
        schedule = self.schedules.get(spare.code)
        if schedule is None:
            own = self.facts.own_lives.get(spare.code, ())
            schedule = self.schedules[spare.code] = life_schedule(spare.code, self.policy, own)
        return UnitWear(spare, start, how, why_ref, worn(start, schedule, self.paused))
