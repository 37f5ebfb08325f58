"""The steps behind a line's wear: when units started, when they are worn, how many are spare, when supply
ends.

Only what a date rests on is written: the chain of assumed swaps back to the last recorded start, not the
whole history of the line.
"""

from collections.abc import Sequence
from datetime import date

from resupply.rules.facts import PatientFacts
from resupply.rules.kinds import Kind
from resupply.rules.pauses import SourcedSpan
from resupply.rules.periods import add_days
from resupply.rules.steps import Known, Notebook
from resupply.rules.wear import Leave, LineWear, Start, UnitWear

_LEFT_WHY = {Leave.LOST: "left_lost", Leave.REFITTED: "left_refitted", Leave.REPLACED: "left_replaced"}


class WearSteps:
    """Writes the steps of one line; `mask` is the line that contained parts came with."""

    def __init__(
        self, notes: Notebook, line: LineWear, mask: LineWear | None, paused: Sequence[SourcedSpan]
    ) -> None:
        self.notes, self.line, self.paused = notes, line, paused
        self.mask = WearSteps(notes, mask, None, paused) if mask and mask.kind != line.kind else None
        self.units = (*line.units, *line.projected)

    def in_use_since(self) -> Known:
        """The start of the unit in use."""
        if self.line.in_use is None:
            return self.notes.write("in_use_since", "none", (), None, "no_unit_in_use")
        return self._start(len(self.line.units) - 1)

    def worn_on(self) -> Known:
        """The day the unit in use is worn."""
        if self.line.in_use is None:
            return self.notes.write("worn_on", "none", (), None, "no_unit_in_use")
        return self._worn(len(self.line.units) - 1)

    def spares(self, facts: PatientFacts, *, as_of: date) -> Known:
        """Units given, less those that started, less those a refit ended."""
        notes, line = self.notes, self.line
        given = [
            notes.fact(f"given.{position}", delivery.quantity, "units_given", delivery.ref)
            for position, delivery in enumerate(facts.deliveries)
            if delivery.kind == line.kind and delivery.on <= as_of
        ]
        total = notes.write(
            "given", "sum", given, sum(self.notes.number(step) for step in given), "units_given_in_all"
        )
        starts = [unit.started_on for unit in line.units if unit.how is not Start.CONTAINED]
        started = notes.write("started", "count", starts, len(starts), "units_started")
        ends = [refit.on for _, refit in line.ended_spares]
        ended = notes.write("ended", "count", ends, len(ends), "spares_ended_by_refit")
        left = notes.write(
            "spares.given", "minus", (total, started), self.notes.number(total) - len(starts), "not_started"
        )
        return notes.write("spares", "minus", (left, ended), self.notes.number(left) - len(ends), "spares")

    def supply_ends_on(self) -> Known:
        """The worn date of the last unit, or the day the last one left."""
        if self.line.in_use or self.line.projected:
            return self._worn(len(self.units) - 1)
        left = [self._left(len(self.units) - 1)] if self.units else []
        for position, (_, refit) in enumerate(self.line.ended_spares):
            left.append(self.notes.fact(f"refit.{position}", refit.on, "left_refitted", refit.ref))
        return self.notes.write("nothing_left", "latest", left, self.line.supply_ends_on, "nothing_left")

    def latest_arrival(self, facts: PatientFacts, *, as_of: date) -> Known:
        """The latest delivery or contained start of the line."""
        arrivals: list[Known] = []
        if self.line.latest_delivery_on is not None:
            of_line = [d for d in facts.deliveries if d.kind == self.line.kind and d.on <= as_of]
            latest = max(of_line, key=lambda delivery: delivery.on)
            arrivals.append(self.notes.fact("delivered", latest.on, "latest_delivery", latest.ref))
        if self.line.latest_contained_on is not None:
            last = max(i for i, unit in enumerate(self.line.units) if unit.how is Start.CONTAINED)
            arrivals.append(self._start(last))
        day = max(self.notes.day(step) for step in arrivals)
        return self.notes.write("arrived", "latest", arrivals, day, "latest_arrival")

    def _name(self, position: int, what: str) -> str:
        prefix = "mask." if self.mask is None and self.line.kind == Kind.MASK else ""
        return f"{prefix}unit{position + 1}.{what}"

    def _start(self, position: int) -> Known:
        """The start of a unit, its chain of assumed swaps first (a loop: chains can be long)."""
        first = position
        while first > 0 and self.units[first].how is Start.ASSUMED:
            first -= 1
        for current in range(first, position):
            self._start_alone(current)
            self._worn_alone(current)
        return self._start_alone(position)

    def _worn(self, position: int) -> Known:
        self._start(position)
        return self._worn_alone(position)

    def _start_alone(self, position: int) -> Known:
        unit, notes, name = self.units[position], self.notes, self._name(position, "start")
        if unit.how in {Start.REPORTED, Start.CORRECTED}:
            return notes.fact(name, unit.started_on, f"start_{unit.how}", unit.why_ref)
        if unit.how is Start.CONTAINED:
            with_mask = self._mask_start(unit)
            return notes.write(name, "latest", (with_mask,), unit.started_on, "start_contained", unit.why_ref)
        ready = notes.fact(self._name(position, "ready"), unit.spare.ready_on, "ready_from", unit.spare.ref)
        bounds = [ready]
        if unit.how is Start.ASSUMED:
            bounds.append(self._worn_alone(position - 1))
        elif position > 0:
            bounds.append(self._left(position - 1))
        bounds += self._unblocked(position)
        return notes.write(name, "latest", bounds, unit.started_on, f"start_{unit.how}")

    def _mask_start(self, unit: UnitWear) -> Known:
        if self.mask is None:
            raise ValueError("a contained part came with a mask")
        masks = self.mask.line.units
        return self.mask._start(next(i for i, mask in enumerate(masks) if mask.started_on == unit.started_on))

    def _unblocked(self, position: int) -> list[Known]:
        """A refit that ended a spare first in line and not ready: only then could the next one start."""
        day = self.units[position].started_on
        refit = next((refit for _, refit in self.line.ended_spares if refit.on == day), None)
        if refit is None:
            return []
        name = self._name(position, "unblocked")
        return [self.notes.fact(name, refit.on, "first_in_line_ended", refit.ref)]

    def _left(self, position: int) -> Known:
        unit = self.units[position]
        why = _LEFT_WHY[unit.left or Leave.REPLACED]
        return self.notes.fact(self._name(position, "left"), unit.left_on, why, "")

    def _worn_alone(self, position: int) -> Known:
        unit, notes = self.units[position], self.notes
        life, source = unit.worn.step.life, unit.worn.step.ref
        start = self._start_alone(position)
        day = notes.write(
            self._name(position, "life"), "add_period", (start, life.count, life.unit.value, 1),
            unit.worn.base, "life", source,
        )  # fmt: skip
        if unit.worn.paused_days:
            paused = self._paused_days(position)
            moved = add_days(unit.worn.base, unit.worn.paused_days)
            day = notes.write(self._name(position, "moved"), "add_days", (day, paused), moved, "paused")
        if unit.worn.on != day.value:
            version = notes.fact(self._name(position, "version"), unit.worn.step.start, "life_from", source)
            name = self._name(position, "shorter")
            day = notes.write(name, "latest", (day, version), unit.worn.on, "life_shortened")
        return notes.write(self._name(position, "worn"), "latest", (day,), unit.worn.on, "worn")

    def _paused_days(self, position: int) -> Known:
        unit, notes = self.units[position], self.notes
        moved = add_days(unit.worn.base, unit.worn.paused_days)
        days: list[Known] = []
        for number, (span, begun_by, ended_by) in enumerate(self.paused):
            if span.until <= unit.started_on or span.start >= moved:
                continue
            begun = notes.fact(f"pause{number + 1}.from", span.start, "pause_from", begun_by)
            over = notes.fact(f"pause{number + 1}.until", span.until, "pause_until", ended_by)
            counted_from = max(span.start, unit.started_on)
            name = self._name(position, f"pause{number + 1}")
            since = notes.write(
                f"{name}.since",
                "latest",
                (begun, self._start_alone(position)),
                counted_from,
                "pause_counts_from",
            )
            length = (span.until - counted_from).days
            days.append(notes.write(f"{name}.days", "days_between", (over, since), length, "pause_days"))
        total = sum(self.notes.number(step) for step in days)
        return notes.write(self._name(position, "paused"), "sum", days, total, "paused_days")
