"""A patient's lines as of a day: the dates a plan stores, and what follows from them when the plan is read.

`plan_lines` answers with dates only, because dates hold until something happens; the state and the quantities
change by the mere passing of time and follow from the dates in `read`. So nothing needs a nightly pass.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Self

from resupply.rules.coverage import covered_from, covered_starts
from resupply.rules.facts import Allowance, ClinicTerms, CoverageSpan, PatientFacts, Policy, RefillRule
from resupply.rules.kinds import Kind
from resupply.rules.pauses import pause_on
from resupply.rules.periods import Period, add, add_days
from resupply.rules.refills import followed, quantity_limit, rule_for, target_units
from resupply.rules.versions import in_force, life_on, life_schedule
from resupply.rules.wear import LineWear, walk

MOST_CHANGES = 12
"""Expected changes kept in a plan: a year of monthly ones."""


class State(StrEnum):
    """State of a line; the first that holds, in this order."""

    PAUSED = "paused"
    OVERDUE = "overdue"
    DUE = "due"
    DELIVER = "deliver"
    ASK = "ask"
    IN_SUPPLY = "in_supply"


@dataclass(frozen=True, slots=True)
class LinePlan:
    """The dates of one line, true from the day they were worked out until (not including) `valid_until`."""

    kind: Kind
    code: str
    in_use_since: date | None
    worn_on: date | None
    spares: int
    supply_ends_on: date
    covered_from: date | None
    refill_on: date
    ask_from: date
    deliver_from: date
    allowance_units: int | None
    allowance_period: Period | None
    allowance_at_once: int | None
    covered_starts: tuple[date, ...]
    """Covered starts that still bear on the next ones: the last `allowance_units`."""
    billed_on: tuple[date, ...]
    """Delivery days, one per billed unit, that may still count against the limit of units at once."""
    delivery_lead: int
    target_units: int
    """Fewest units whose lives reach the clinic's target from `refill_on`."""
    paused_from: date | None
    paused_until: date | None
    changes_on: tuple[date, ...]
    """Days on which the spares are expected to start, the next first, at most `MOST_CHANGES`."""
    valid_until: date | None
    units_started: int = 0
    """How many units of the line have started: the number of the unit in use, which names it in calendars."""


@dataclass(frozen=True, slots=True)
class PatientPlan:
    """One patient's lines, and what cleaning needs: the kinds held, and the day the first part came."""

    lines: tuple[LinePlan, ...]
    valid_until: date | None
    held: frozenset[Kind]
    held_since: date | None
    payer: str


@dataclass(frozen=True, slots=True)
class LineStatus:
    """What a plan says on one day. `quantity_limit` None: no published limit, or the patient pays."""

    state: State
    days_overdue: int | None
    quantity_limit: int | None
    quantity_suggested: int
    waiting_for_coverage: bool
    """The supply has ended or is ending, but the payer's coverage opens later."""


def plan_lines(facts: PatientFacts, policy: Policy, *, as_of: date) -> tuple[LinePlan, ...]:
    """The lines of one patient as of a day, ordered by kind; facts dated after `as_of` are ignored."""
    return plan_patient(facts, policy, as_of=as_of).lines


def plan_patient(facts: PatientFacts, policy: Policy, *, as_of: date) -> PatientPlan:
    """The lines of one patient and until when they hold, for a patient without lines too."""
    walked = walk(facts, policy, as_of=as_of)
    terms = Terms.of(facts, policy, as_of=as_of)
    paused_from, paused_until = pause_on(facts.pauses, as_of=as_of) if facts.pauses else (None, None)
    valid_until = _valid_until(walked, facts, policy, terms, as_of=as_of)
    lines = [
        _plan(line, terms, facts, policy, paused_from, paused_until, valid_until, as_of=as_of)
        for line in walked
    ]
    return PatientPlan(
        tuple(lines), valid_until, held_kinds(walked), _held_since(facts, as_of=as_of), terms.payer
    )


def read(plan: LinePlan, *, as_of: date) -> LineStatus:
    """State and quantities of a plan on a day on which it is valid."""
    limit = limit_of(plan, as_of=as_of)
    if as_of < plan.deliver_from:
        suggested = 0
    else:
        suggested = plan.target_units if limit is None else min(plan.target_units, limit)
    state = state_of(plan, as_of=as_of)
    overdue = (as_of - plan.supply_ends_on).days if state is State.OVERDUE else None
    waiting = plan.covered_from is not None and plan.covered_from > max(as_of, plan.supply_ends_on)
    near = as_of >= add_days(plan.supply_ends_on, -plan.delivery_lead)
    return LineStatus(state, overdue, limit, suggested, waiting and near and as_of < plan.deliver_from)


def state_of(plan: LinePlan, *, as_of: date) -> State:
    """The state of a line, the first that holds."""
    if (
        plan.paused_from
        and plan.paused_from <= as_of
        and (not plan.paused_until or as_of < plan.paused_until)
    ):
        return State.PAUSED
    if as_of > plan.supply_ends_on:
        return State.OVERDUE
    if as_of == plan.supply_ends_on:
        return State.DUE
    if as_of >= plan.deliver_from:
        return State.DELIVER
    return State.ASK if as_of >= plan.ask_from else State.IN_SUPPLY


def limit_of(plan: LinePlan, *, as_of: date) -> int | None:
    """`quantity_limit` of a plan on a day; None: no published limit, or the patient pays."""
    allowance = allowance_of(plan)
    if allowance is None:
        return None
    if as_of < plan.deliver_from:
        return 0
    return quantity_limit(
        as_of,
        allowance=allowance,
        starts=plan.covered_starts,
        opens_on=plan.covered_from,
        billed_on=plan.billed_on,
        delivery_lead=plan.delivery_lead,
    )


def allowance_of(plan: LinePlan) -> Allowance | None:
    """The allowance a plan was worked out with."""
    if plan.allowance_units is None or plan.allowance_period is None or plan.allowance_at_once is None:
        return None
    return Allowance(date.min, plan.allowance_units, plan.allowance_period, plan.allowance_at_once)


@dataclass(frozen=True, slots=True)
class Terms:
    """What holds for one patient on a day: the present payer (empty: the patient pays), its terms, the
    clinic's.
    """

    payer: str
    allowances: Mapping[str, tuple[Allowance, ...]]
    rules: tuple[RefillRule, ...]
    clinic: ClinicTerms

    @classmethod
    def of(cls, facts: PatientFacts, policy: Policy, *, as_of: date) -> Self:
        """The terms in force on a day. A payer without refill rules follows the clinic's own leads."""
        payer = present_payer(facts, as_of=as_of)
        found = policy.payers.get(payer) if payer else None
        clinic = in_force(policy.clinic_terms, as_of) or DEFAULT_TERMS
        rules = followed(found.refill_rules if found else (), policy.clinic_refill_rules)
        return cls(payer, found.allowances if found else {}, rules, clinic)


DEFAULT_TERMS = ClinicTerms(date.min, ref="the clinic's own terms, as shipped")


def present_payer(facts: PatientFacts, *, as_of: date) -> str:
    """The payer whose coverage is in force on a day; empty where the patient pays."""
    best: CoverageSpan | None = None
    for span in facts.coverage:
        if span.start <= as_of and (best is None or span.start >= best.start):
            best = span
    return best.payer if best else ""


def billed_days(facts: PatientFacts, code: str, payer: str, *, as_of: date) -> list[date]:
    """Delivery days of the units of a code billed to a payer, one per unit, in order."""
    days: list[date] = []
    for delivery in facts.deliveries:
        if delivery.code == code and delivery.billed_to == payer and delivery.on <= as_of:
            days.extend([delivery.on] * delivery.quantity)
    days.sort()
    return days


def coverage_of(
    code: str, facts: PatientFacts, terms: Terms, *, as_of: date
) -> tuple[Allowance | None, list[date], list[date], date | None]:
    """What the payer of a day allows of a code, the days of the units billed to it, the starts of those that
    count, and from when the next one is covered; None and nothing where no payer limits it.
    """
    allowance = in_force(terms.allowances.get(code, ()), as_of) if terms.payer else None
    if allowance is None:
        return None, [], [], None
    billed = billed_days(facts, code, terms.payer, as_of=as_of)
    starts = covered_starts(billed, allowance)
    return allowance, billed, starts, covered_from(starts, allowance)


def _plan(
    line: LineWear,
    terms: Terms,
    facts: PatientFacts,
    policy: Policy,
    paused_from: date | None,
    paused_until: date | None,
    valid_until: date | None,
    *,
    as_of: date,
) -> LinePlan:
    """A line's dates and limits. Long for its fields: each is worked out once, in order."""
    allowance, billed, starts, opens_on = coverage_of(line.code, facts, terms, as_of=as_of)
    refill_on = max(line.supply_ends_on, opens_on) if opens_on else line.supply_ends_on
    rule = rule_for(terms.rules, refill_on)
    ask_from = max(
        add_days(refill_on, -rule.contact_lead), add_days(latest_arrival(line), terms.clinic.gap_days)
    )
    life = life_on(
        life_schedule(line.code, policy, facts.own_lives.get(line.code, ())), max(as_of, refill_on)
    ).life
    return LinePlan(
        kind=line.kind,
        code=line.code,
        in_use_since=line.in_use.started_on if line.in_use else None,
        worn_on=line.in_use.worn.on if line.in_use else None,
        spares=len(line.projected),
        supply_ends_on=line.supply_ends_on,
        covered_from=opens_on,
        refill_on=refill_on,
        ask_from=ask_from,
        deliver_from=add_days(refill_on, -rule.delivery_lead),
        allowance_units=allowance.units if allowance else None,
        allowance_period=allowance.period if allowance else None,
        allowance_at_once=allowance.at_once if allowance else None,
        covered_starts=tuple(starts[-allowance.units :]) if allowance else (),
        billed_on=_may_still_count(billed, allowance, refill_on) if allowance else (),
        delivery_lead=rule.delivery_lead,
        target_units=target_units(refill_on, life, terms.clinic.target),
        paused_from=paused_from,
        paused_until=paused_until,
        changes_on=tuple([unit.started_on for unit in line.projected[:MOST_CHANGES]]),
        valid_until=valid_until,
        units_started=len(line.units),
    )


def _may_still_count(billed: Sequence[date], allowance: Allowance, refill_on: date) -> tuple[date, ...]:
    """Billed days that may count against the units at once on a day on which the line may be refilled.

    The horizon of that count is never before `refill_on`: what is left out counts on no later day, and what
    is kept does not depend on the day it is worked out.
    """
    first = len(billed)
    while first and add(billed[first - 1], allowance.period, allowance.at_once) > refill_on:
        first -= 1
    return tuple(billed[first:])


def held_kinds(walked: Iterable[LineWear]) -> frozenset[Kind]:
    """Kinds of which the patient has a unit, in use or spare."""
    return frozenset(line.kind for line in walked if line.in_use or line.projected)


def _held_since(facts: PatientFacts, *, as_of: date) -> date | None:
    return min((delivery.on for delivery in facts.deliveries if delivery.on <= as_of), default=None)


def latest_arrival(line: LineWear) -> date:
    """The line's latest delivery or contained start: it had one, or it would be no line."""
    return max(line.latest_delivery_on or date.min, line.latest_contained_on or date.min)


def _valid_until(
    walked: tuple[LineWear, ...], facts: PatientFacts, policy: Policy, terms: Terms, *, as_of: date
) -> date | None:
    """The first later day on which a line may read otherwise with nothing new recorded; None: never.

    One day for all lines of a patient: a mask that starts moves the lines of its contained parts, and a
    refresh does the whole patient anyway.
    """
    if any(p.until is None and p.start <= as_of for p in facts.pauses):
        return add_days(as_of, 1)  # every date moves with an open pause
    later: list[date] = [line.projected[0].started_on for line in walked if line.projected]
    later += _dates_of(facts)
    later += [span.start for span in facts.coverage]
    for line in walked:
        own = facts.own_lives.get(line.code, ()) if facts.own_lives else ()
        later += [step.start for step in life_schedule(line.code, policy, own)]
        later += [version.effective_from for version in terms.allowances.get(line.code, ())]
    if walked:  # the clinic's terms say nothing about a patient without lines
        later += [version.effective_from for version in policy.clinic_terms]
    return min((day for day in later if day > as_of), default=None)


def _dates_of(facts: PatientFacts) -> list[date]:
    return [
        *[delivery.on for delivery in facts.deliveries],
        *[swap.on for swap in facts.swaps],
        *[loss.on for loss in facts.losses],
        *[refit.on for refit in facts.refits],
        *[pause.start for pause in facts.pauses],
        *[pause.until for pause in facts.pauses if pause.until],
    ]
