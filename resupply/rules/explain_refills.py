"""The steps behind a line's coverage, refill dates and quantities."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from resupply.rules.coverage import covered_starts
from resupply.rules.facts import Allowance, ClinicTerms, RefillRule
from resupply.rules.lines import LinePlan, State, state_of
from resupply.rules.periods import Period, add, add_days
from resupply.rules.refills import still_at_once, target_units
from resupply.rules.steps import Known, Notebook, Value


@dataclass(frozen=True, slots=True)
class RefillInput:
    """What the steps of a line's refill start from; `billed`: delivery days with the fact behind each."""

    plan: LinePlan
    allowance: Allowance | None
    no_limit_why: str
    billed: Sequence[tuple[date, str]]
    rule: RefillRule
    terms: ClinicTerms
    life: Period
    life_ref: str


class RefillSteps:
    """Writes the steps of one line's refill, on top of those of its wear."""

    def __init__(self, notes: Notebook, given: RefillInput, *, as_of: date) -> None:
        self.notes, self.given, self.plan, self.as_of = notes, given, given.plan, as_of
        days = [day for day, _ in given.billed]
        self.starts = covered_starts(days, given.allowance) if given.allowance else []
        self.today = notes.fact("as_of", as_of, "as_of", "")

    def covered_from(self) -> Known:
        """The day coverage opens for another unit."""
        notes, allowance = self.notes, self.given.allowance
        if allowance is None:
            return notes.write("covered_from", "none", (), None, self.given.no_limit_why)
        if not self.starts:
            return notes.write("covered_from", "none", (), None, "nothing_billed", allowance.ref)
        last = [self._covered_start(len(self.starts) - 1)]
        if len(self.starts) >= allowance.units:
            last.append(self._room_after(len(self.starts) - allowance.units))
        return notes.write("covered_from", "latest", last, self.plan.covered_from, "coverage_opens")

    def refill_on(self, supply_ends: Known, covered: Known) -> Known:
        """The later of the end of supply and the opening of coverage."""
        days = [supply_ends] if covered.value is None else [supply_ends, covered]
        return self.notes.write("refill_on", "latest", days, self.plan.refill_on, "refill")

    def ask_from(self, refill: Known, arrived: Known) -> Known:
        """A contact lead before the refill, but not too soon after the latest arrival."""
        notes, rule, terms = self.notes, self.given.rule, self.given.terms
        lead = notes.fact("contact_lead", -rule.contact_lead, "contact_lead", rule.ref)
        early = self._days_later("ask.lead", refill, lead, "ask_lead")
        gap = notes.fact("gap", terms.gap_days, "gap_days", terms.ref)
        quiet = self._days_later("ask.gap", arrived, gap, "ask_gap")
        return notes.write("ask_from", "latest", (early, quiet), self.plan.ask_from, "ask")

    def deliver_from(self, refill: Known) -> Known:
        """A delivery lead before the refill."""
        rule = self.given.rule
        lead = self.notes.fact("delivery_lead", -rule.delivery_lead, "delivery_lead", rule.ref)
        return self._days_later("deliver_from", refill, lead, "deliver")

    def quantity_limit(self, covered: Known, deliver_from: Known) -> Known:
        """How many units may go out today."""
        notes, allowance = self.notes, self.given.allowance
        if allowance is None:
            return notes.write("quantity_limit", "none", (), None, self.given.no_limit_why)
        if self.as_of < self.plan.deliver_from:
            return self._too_early("quantity_limit", deliver_from, allowance.ref)
        room = self._room_at_once(allowance)
        fits = self._fitting(allowance, covered, max(self.notes.number(room), 0))
        zero = notes.fact("zero", 0, "never_below_zero", "")
        least = notes.write(
            "limit.least",
            "smallest",
            (room, fits),
            min(self.notes.number(room), self.notes.number(fits)),
            "limit_least",
        )
        most = max(0, self.notes.number(least))
        limit = notes.write("limit", "largest", (zero, least), most, "limit")
        args = (self.today, deliver_from, limit)
        return notes.write("quantity_limit", "zero_before", args, most, "limit_today", allowance.ref)

    def quantity_suggested(self, refill: Known, deliver_from: Known, limit: Known) -> Known:
        """The fewest units that reach the clinic's target, within the limit."""
        notes, target, life = self.notes, self.given.terms.target, self.given.life
        if self.as_of < self.plan.deliver_from:
            return self._too_early("quantity_suggested", deliver_from)
        goal_day = add(self.plan.refill_on, target)
        goal = notes.write(
            "target", "add_period", (refill, target.count, target.unit.value, 1), goal_day, "target",
            self.given.terms.ref,
        )  # fmt: skip
        units = target_units(self.plan.refill_on, life, target)
        reach = notes.write(
            "target.units", "periods_to_reach", (refill, life.count, life.unit.value, goal), units,
            "target_units", self.given.life_ref,
        )  # fmt: skip
        most = [reach] if limit.value is None else [reach, limit]
        least = min(self.notes.number(step) for step in most)
        return notes.write("quantity_suggested", "smallest", most, least, "suggested")

    def state(self, supply_ends: Known, deliver_from: Known, ask_from: Known) -> Known:
        """The first state that holds."""
        plan = self.plan
        args = (self.today, plan.paused_from, plan.paused_until, supply_ends, deliver_from, ask_from)
        return self.notes.write("state", "state", args, state_of(plan, as_of=self.as_of).value, "state")

    def days_overdue(self, supply_ends: Known) -> Known:
        """Days since the supply ended, where the line is overdue."""
        if state_of(self.plan, as_of=self.as_of) is not State.OVERDUE:
            return self.notes.write("days_overdue", "none", (), None, "not_overdue")
        days = (self.as_of - self.plan.supply_ends_on).days
        return self.notes.write("days_overdue", "days_between", (self.today, supply_ends), days, "overdue")

    def _too_early(self, name: str, deliver_from: Known, source: str = "") -> Known:
        return self.notes.write(name, "zero_before", (self.today, deliver_from, None), 0, "too_early", source)

    def _days_later(self, name: str, day: Known, days: Known, why: str) -> Known:
        result = add_days(self.notes.day(day), self.notes.number(days))
        return self.notes.write(name, "add_days", (day, days), result, why)

    def _delivered(self, position: int) -> Known:
        day, ref = self.given.billed[position]
        return self.notes.fact(f"billed{position + 1}", day, "billed_unit", ref)

    def _covered_start(self, position: int) -> Known:
        """The covered start of a billed unit; where it had to queue, the start it queued behind, first."""
        units = self.given.allowance.units if self.given.allowance else 1
        if known := self.notes.known.get(f"covered{position + 1}"):
            return known
        chain = [position]
        while self._queued(chain[-1], units):
            chain.append(chain[-1] - units)
        for current in reversed(chain):
            days: list[Known] = [self._delivered(current)]
            if self._queued(current, units):
                days.append(self._room_after(current - units))
            self.notes.write(f"covered{current + 1}", "latest", days, self.starts[current], "covered_start")
        return self.notes.known[f"covered{position + 1}"]

    def _queued(self, position: int, units: int) -> bool:
        return position >= units and self.starts[position] > self.given.billed[position][0]

    def _room_after(self, position: int) -> Known:
        """The day on which a covered start stops counting."""
        allowance = self.given.allowance
        if allowance is None:
            raise ValueError("no allowance, no coverage")
        start = self._covered_start(position)
        args: tuple[Known | Value, ...] = (start, allowance.period.count, allowance.period.unit.value, 1)
        day = add(self.starts[position], allowance.period)
        return self.notes.write(
            f"room{position + 1}", "add_period", args, day, "allowance_period", allowance.ref
        )

    def _room_at_once(self, allowance: Allowance) -> Known:
        """Units allowed at once, less those that still count."""
        notes, plan = self.notes, self.plan
        units = notes.fact("allowance.units", allowance.units, "allowance_units", allowance.ref)
        periods = notes.fact("allowance.at_once", allowance.at_once, "allowance_at_once", allowance.ref)
        most = allowance.units * allowance.at_once
        at_once = notes.write("at_once", "times", (units, periods), most, "at_once")
        lead = notes.fact("horizon.lead", plan.delivery_lead, "delivery_lead", self.given.rule.ref)
        horizon = self._days_later("horizon", self.today, lead, "horizon")
        days = [day for day, _ in self.given.billed]
        counting = len(still_at_once(days, allowance, self.as_of, plan.delivery_lead))
        ends: list[Known] = []
        for position in range(max(0, len(days) - counting - 1), len(days)):
            args = (self._delivered(position), *_period(allowance.period), allowance.at_once)
            end = add(days[position], allowance.period, allowance.at_once)
            ends.append(
                notes.write(f"out{position + 1}", "add_period", args, end, "counts_until", allowance.ref)
            )
        out = notes.write("out", "count_after", (horizon, *ends), counting, "still_counting")
        return notes.write("room", "minus", (at_once, out), most - counting, "room")

    def _fitting(self, allowance: Allowance, covered: Known, room: int) -> Known:
        """How many more units would be covered before the end of the periods allowed at once."""
        notes = self.notes
        first = [self.today] if covered.value is None else [self.today, covered]
        begin = max(notes.day(step) for step in first)
        opens = notes.write("window", "latest", first, begin, "window_opens")
        end_day = add(begin, allowance.period, allowance.at_once)
        args = (opens, *_period(allowance.period), allowance.at_once)
        end = notes.write("window.end", "add_period", args, end_day, "window_ends", allowance.ref)
        queue = [self._covered_start(i) for i in range(len(self.starts))[-allowance.units :]]
        more: list[Known] = []
        while len(more) < room and (not more or notes.day(more[-1]) < end_day):
            days: list[Known] = [self.today]
            if len(queue) >= allowance.units:
                behind = queue[-allowance.units]
                days.append(
                    notes.write(
                        f"more{len(more) + 1}.room", "add_period", (behind, *_period(allowance.period), 1),
                        add(notes.day(behind), allowance.period), "allowance_period", allowance.ref,
                    )
                )  # fmt: skip
            start = max(notes.day(day) for day in days)
            more.append(notes.write(f"more{len(more) + 1}", "latest", days, start, "would_be_covered"))
            queue.append(more[-1])
        fits = sum(notes.day(step) < end_day for step in more)
        return notes.write("fits", "count_before", (end, *more), fits, "fits")


def _period(period: Period) -> tuple[int, str]:
    return period.count, period.unit.value
