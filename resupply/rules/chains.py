"""Chains: the refills a line will need over a horizon, one after the other, if each comes on time.

The rule in plain words. The next refill is the plan's. Each refill has the `quantity_suggested` it would
have on its `refill_on`; its units start one when the other is worn, the first when the supply before it
ends (or, where coverage opens later, on `refill_on`); where the last of them is worn the supply ends again,
and from there the refill after it follows as every refill does: the later of that day and the opening of
coverage, with the leads of the rule in force on that day. A delivery inside its window moves nothing. One
that can only come late (the supply has ended, or no open day was left) starts its units on the day it
comes, and is as many units as would be suggested on that day.

Edge cases: the allowance in force today counts over the whole horizon, as it does for every plan; lives and
refill rules of the future act on their days. A refill whose limit on its `refill_on` is still 0 (days of
the month that do not exist) waits for the first day it is not. In a pause without an end nothing can be
foreseen: no refills. In one with an end nothing goes out before it. A mask of the chain counts as a mask
alone: what would be packed with it is known when it is given. Source: ours; worked out again in the tests
by giving the parts to the plan of a patient and reading the next refill there.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

from resupply.rules.bundling import OpenDays, Refill, closing, reach
from resupply.rules.coverage import covered_from, next_start
from resupply.rules.facts import PatientFacts, Policy, RefillRule, Schedule
from resupply.rules.lines import LinePlan, Terms, allowance_of
from resupply.rules.pauses import Span
from resupply.rules.periods import Period, add_days
from resupply.rules.refills import quantity_limit, rule_for, target_units
from resupply.rules.versions import life_on, life_schedule
from resupply.rules.wear import worn

LONGEST_WAIT = 62
"""Days a refill may wait for its limit before nothing more is foreseen: months differ by three at most."""


@dataclass(frozen=True, slots=True)
class ChainTerms:
    """What a line's chain depends on besides its plan: lives of its code, the payer's leads, the target."""

    schedule: Schedule
    rules: tuple[RefillRule, ...]
    target: Period


def terms_of(line: LinePlan, facts: PatientFacts, policy: Policy, *, as_of: date) -> ChainTerms:
    """The terms of one line of a patient."""
    terms = Terms.of(facts, policy, as_of=as_of)
    schedule = life_schedule(line.code, policy, facts.own_lives.get(line.code, ()))
    return ChainTerms(schedule, terms.rules, terms.clinic.target)


def first_refill(line: LinePlan, *, earliest: date, as_of: date) -> Refill | None:
    """The next refill of a line from its plan alone; None: a pause without an end.

    `earliest`: before it nothing can go out.
    """
    paused = line.paused_from is not None and line.paused_from <= as_of
    if paused and line.paused_until is None:
        return None
    return Refill(
        kind=line.kind.value,
        opens_on=line.deliver_from,
        closes_on=closing(line.deliver_from, line.supply_ends_on, line.refill_on),
        refill_on=line.refill_on,
        quantity=0,
        not_before=max(earliest, line.paused_until or earliest) if paused else earliest,
    )


def chain(
    line: LinePlan, terms: ChainTerms, open_days: OpenDays, *, earliest: date, as_of: date, until: date
) -> Iterator[Refill]:
    """The refills of a line whose windows open before `until`, in order.

    `earliest`: before it nothing can go out.
    """
    refill = first_refill(line, earliest=earliest, as_of=as_of)
    supply = _Supply(line, terms, as_of=as_of)
    while refill is not None and refill.opens_on < until:
        met = reach(refill, open_days)
        quantity, given_on = supply.quantity(refill.refill_on, met.first if met.is_late else refill.refill_on)
        if quantity == 0:
            return
        yield replace(refill, quantity=quantity)
        refill = supply.after(refill, quantity, given_on)


class _Supply:
    """A line's supply as the refills of its chain come in."""

    def __init__(self, line: LinePlan, terms: ChainTerms, *, as_of: date) -> None:
        self.terms, self.as_of = terms, as_of
        self.lead = line.delivery_lead
        self.allowance = allowance_of(line)
        self.starts, self.billed = list(line.covered_starts), list(line.billed_on)
        self.opens_on = line.covered_from
        self.paused = (
            (Span(line.paused_from, line.paused_until),) if line.paused_from and line.paused_until else ()
        )

    def quantity(self, refill_on: date, day: date) -> tuple[int, date]:
        """How many units are suggested on a day, not before `refill_on`, and that day; 0: none in sight."""
        day = max(refill_on, day)
        life = life_on(self.terms.schedule, max(self.as_of, refill_on)).life
        wanted = target_units(refill_on, life, self.terms.target)
        for _ in range(LONGEST_WAIT):
            limit = self._limit(day)
            if limit is None or limit > 0:
                return (wanted if limit is None else min(wanted, limit)), day
            day = add_days(day, 1)
        return 0, day

    def after(self, refill: Refill, quantity: int, given_on: date) -> Refill:
        """The refill after one of so many units, given on a day; its units start then."""
        ends = given_on
        for _ in range(quantity):
            ends = worn(ends, self.terms.schedule, self.paused).on
        self._bill(given_on, quantity)
        refill_on = max(ends, self.opens_on) if self.opens_on else ends
        self.lead = rule_for(self.terms.rules, refill_on).delivery_lead
        opens_on = add_days(refill_on, -self.lead)
        return replace(
            refill,
            opens_on=opens_on,
            closes_on=closing(opens_on, ends, refill_on),
            refill_on=refill_on,
            number=refill.number + 1,
        )

    def _limit(self, day: date) -> int | None:
        if self.allowance is None:
            return None
        return quantity_limit(
            day,
            allowance=self.allowance,
            starts=self.starts,
            opens_on=self.opens_on,
            billed_on=self.billed,
            delivery_lead=self.lead,
        )

    def _bill(self, day: date, quantity: int) -> None:
        """So many units billed on a day: their covered starts, and when coverage opens again."""
        if self.allowance is None:
            return
        for _ in range(quantity):
            self.billed.append(day)
            self.starts.append(next_start(self.starts, day, self.allowance))
        self.opens_on = covered_from(self.starts, self.allowance)
