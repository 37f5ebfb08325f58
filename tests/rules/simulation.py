"""The rules once more, as a slow and literal walk through the days: what `resupply.rules` is checked against.

Written from the definition alone, so that two independent readings meet. Nothing here is clever: every day is
visited, every quantity is tried, every day is asked whether it is covered. It shares with the rules only the
shapes of what goes in. Month arithmetic is python-dateutil's, not ours.

Readings where the definition leaves room (the rules take the same):
(a) A unit started *by assumption* when the unit in use was worn and no swap was reported that day.
(b) Unit in use worn, swap reported and next spare ready on one day: the spare starts, by report. An assumed
    start is corrected on days on which the unit in use is not worn or no spare is ready. It needs no spare.
(c) Contained parts start on the day their mask unit started as known on `as_of`, corrections included.
(d) Refits of one day apply as recorded. A second loss on one day finds nothing in use.
(e) An open pause is `[start, as_of)`. A day in two pauses is paused once.
(f) A refit *gives* its family to units of no stated family delivered that day; a second refit of that day to
    yet another family therefore ends them.
(g) A corrected start begins the unit's life anew, also where it was worn already.
"""

from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from typing import Protocol, TypeVar

from dateutil.relativedelta import relativedelta

from resupply.rules.facts import Allowance, ClinicTerms, PatientFacts, Pause, Policy, RefillRule
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit

ONE_DAY = timedelta(days=1)
FAMILY_KINDS = {"mask", "cushion", "oral_cushion", "combination_pillows", "headgear"}
CORRECTION_DAYS = 14
CLINIC_REFILL_RULE = RefillRule(date.min, contact_lead=30, delivery_lead=10)


class Dated(Protocol):
    """Anything with versions."""

    @property
    def effective_from(self) -> date: ...


V = TypeVar("V", bound=Dated)


@dataclass(frozen=True)
class Row:
    """One line as the plan export shows it."""

    kind: Kind
    part_code: str
    in_use_since: date | None
    worn_on: date | None
    spares: int
    supply_ends_on: date
    covered_from: date | None
    refill_on: date
    ask_from: date
    deliver_from: date
    quantity_limit: int | None
    quantity_suggested: int
    state: str
    days_overdue: int | None


# ---- part 1: periods


@cache
def plus(start: date, period: Period, times: int = 1) -> date:
    """`times` periods after `start`, counted from `start`."""
    n = period.count * times
    if period.unit is Unit.MONTH:
        return start + relativedelta(months=n)
    if period.unit is Unit.WEEK:
        return start + relativedelta(weeks=n)
    return start + relativedelta(days=n)


# ---- part 2: lives


def in_force(versions: Iterable[V], day: date) -> V | None:
    """The version with the latest effective date not after `day`; of equal dates the one recorded last."""
    found: V | None = None
    for version in versions:
        if version.effective_from <= day and (
            found is None or version.effective_from >= found.effective_from
        ):
            found = version
    return found


def life_on(facts: PatientFacts, policy: Policy, code: str, day: date) -> Period:
    """The patient's own override, else the clinic's policy, else the shipped default."""
    for versions in (facts.own_lives.get(code, ()), policy.clinic_lives.get(code, ())):
        version = in_force(versions, day)
        if version is not None and version.life is not None:
            return version.life
    shipped = policy.default_lives[code].life
    assert shipped is not None
    return shipped


# ---- part 3: wear


def lies_in(pause: Pause, day: date) -> bool:
    """Whether a day lies in a pause, the day it ends not included; an open one has no end."""
    return pause.start <= day and (pause.until is None or day < pause.until)


def counts_as_paused(facts: PatientFacts, day: date, as_of: date) -> bool:
    """Whether a day adds to the paused days of the unit in use."""
    for pause in facts.pauses:
        if pause.start > as_of:
            continue
        if lies_in(pause, day) and (pause.until is not None or day < as_of):
            return True
    return False


@dataclass(eq=False)  # two equal units are still two
class Piece:
    """One unit and what became of it so far."""

    code: str
    family: str
    delivered_on: date
    first_use_on: date | None = None
    contains: tuple[str, ...] = ()
    started_on: date | None = None
    by_assumption: bool = False
    paused_days: int = 0
    worn_on: date | None = None

    def ready(self, day: date) -> bool:
        return self.first_use_on is None or self.first_use_on <= day


@dataclass
class Chain:
    """One line on the evening of a day."""

    kind: Kind
    in_use: Piece | None = None
    spares: list[Piece] = field(default_factory=list)
    ever_started: list[Piece] = field(default_factory=list)
    last_left_on: date | None = None


def start(chain: Chain, piece: Piece, day: date, *, by_assumption: bool = False) -> None:
    piece.started_on, piece.by_assumption = day, by_assumption
    piece.paused_days, piece.worn_on = 0, None
    chain.in_use = piece
    if piece not in chain.ever_started:
        chain.ever_started.append(piece)


def start_next_spare(chain: Chain, day: date, *, by_assumption: bool = False) -> None:
    start(chain, chain.spares.pop(0), day, by_assumption=by_assumption)


def look_at_wear(facts: PatientFacts, policy: Policy, chain: Chain, day: date) -> None:
    """The unit in use is worn on the first day `d` with `d >= start + life(in force on d) + paused days`."""
    unit = chain.in_use
    if unit is None or unit.worn_on is not None:
        return  # worn stays worn
    assert unit.started_on is not None
    life = life_on(facts, policy, unit.code, day)
    if day >= plus(unit.started_on, life) + timedelta(days=unit.paused_days):
        unit.worn_on = day


def deliver(facts: PatientFacts, chain: Chain, day: date) -> None:
    for delivery in facts.deliveries:
        if delivery.on == day and delivery.kind == chain.kind:
            for n in range(delivery.quantity):
                first_use_on = delivery.first_use_on if n == 0 else None
                piece = Piece(delivery.code, delivery.family, day, first_use_on, delivery.contains)
                chain.spares.append(piece)


def lose(facts: PatientFacts, chain: Chain, day: date) -> None:
    for loss in facts.losses:
        if loss.on == day and loss.kind == chain.kind and chain.in_use is not None:
            chain.in_use, chain.last_left_on = None, day


def refit(facts: PatientFacts, chain: Chain, day: date) -> None:
    if chain.kind.value not in FAMILY_KINDS:
        return
    for fitted in facts.refits:
        if fitted.on != day:
            continue
        for piece in chain.spares:
            if piece.family == "" and piece.delivered_on == day:
                piece.family = fitted.family
        keep = [piece for piece in chain.spares if piece.family == fitted.family]
        if len(keep) < len(chain.spares):
            chain.spares, chain.last_left_on = keep, day
        if chain.in_use is not None and chain.in_use.family != fitted.family:
            chain.in_use, chain.last_left_on = None, day


def recently_assumed(unit: Piece, day: date) -> bool:
    """Whether a unit started by assumption at most 14 days before a day."""
    return (
        unit.by_assumption and unit.started_on is not None and (day - unit.started_on).days <= CORRECTION_DAYS
    )


def one_start(chain: Chain, day: date, contained: Sequence[Piece], swap_reported: bool) -> None:
    """The start of the day, if there is one."""
    if contained:
        for piece in contained:  # of several, the last listed stays in use
            start(chain, piece, day)
        return
    worn = chain.in_use is not None and chain.in_use.worn_on is not None
    next_is_ready = bool(chain.spares) and chain.spares[0].ready(day)
    if next_is_ready and chain.in_use is None:
        start_next_spare(chain, day)
    elif next_is_ready and worn:
        start_next_spare(chain, day, by_assumption=not swap_reported)
    elif swap_reported:
        if chain.in_use is not None and recently_assumed(chain.in_use, day):
            start(chain, chain.in_use, day)
        elif chain.spares:
            start_next_spare(chain, day)


def one_day(
    facts: PatientFacts, policy: Policy, chain: Chain, day: date, contained: Sequence[Piece], as_of: date
) -> None:
    """Everything that happens in a line on one day, in the order of the definition."""
    look_at_wear(facts, policy, chain, day)
    happened = day <= as_of  # facts dated after `as_of` are ignored
    if happened:
        deliver(facts, chain, day)
        lose(facts, chain, day)
        refit(facts, chain, day)
    swap_reported = happened and any(s.on == day and s.kind == chain.kind for s in facts.swaps)
    one_start(chain, day, contained, swap_reported)
    if chain.in_use is not None and counts_as_paused(facts, day, as_of):
        chain.in_use.paused_days += 1  # counts from the start day on, and for later days only


def walk(
    facts: PatientFacts, policy: Policy, kind: Kind, contained: Sequence[Piece], first: date, as_of: date
) -> Chain:
    """The line on the evening of `as_of`. `contained` carry the day they start on as their delivery day."""
    chain = Chain(kind)
    day = first
    while day <= as_of:
        today = [piece for piece in contained if piece.delivered_on == day]
        one_day(facts, policy, chain, day, today, as_of)
        day += ONE_DAY
    return chain


def supply_end(facts: PatientFacts, policy: Policy, chain: Chain, as_of: date) -> tuple[date | None, date]:
    """Worn date of the unit in use, and of the last of it and its spares, with no further fact."""
    if chain.in_use is None and not chain.spares:
        assert chain.last_left_on is not None
        return None, chain.last_left_on
    future = deepcopy(chain)
    now_in_use = future.in_use
    day = as_of
    while future.spares or future.in_use is None or future.in_use.worn_on is None:
        day += ONE_DAY
        one_day(facts, policy, future, day, (), as_of)
    last = future.in_use.worn_on
    assert last is not None
    return (now_in_use.worn_on if now_in_use is not None else None), last


def contained_pieces(policy: Policy, masks: Chain) -> list[Piece]:
    """The parts packed in the mask units that have started, in order, with their mask's family and start."""
    pieces = []
    for mask in masks.ever_started:
        assert mask.started_on is not None
        for code in mask.contains:
            pieces.append(Piece(code, mask.family, mask.started_on))
    return pieces


# ---- part 4: coverage


def active(starts: Iterable[date], allowance: Allowance, day: date) -> int:
    """How many covered starts `t` satisfy `t <= day < t + period`."""
    return sum(1 for t in starts if t <= day < plus(t, allowance.period))


def next_covered(starts: Sequence[date], allowance: Allowance, not_before: date) -> date:
    """The earliest day on which fewer than N covered starts are active."""
    day = not_before
    while active(starts, allowance, day) >= allowance.units:
        day += ONE_DAY
    return day


def covered_starts(billed_on: Sequence[date], allowance: Allowance) -> list[date]:
    """The covered start of each unit, in delivery order; one delivery day per unit."""
    starts: list[date] = []
    for delivered_on in billed_on:
        starts.append(next_covered(starts, allowance, delivered_on))
    return starts


def payer_on(facts: PatientFacts, day: date) -> str:
    """Who pays on a day; empty: the patient."""
    payer, since = "", date.min
    for span in facts.coverage:
        if since <= span.start <= day:
            payer, since = span.payer, span.start
    return payer


# ---- part 5: refills


def refill_rule(policy: Policy, payer: str, day: date) -> RefillRule:
    """The version in force on a day, of the payer or of the clinic; before the first version, the first."""
    terms = policy.payers.get(payer) if payer else None
    rules = terms.refill_rules if terms is not None and terms.refill_rules else policy.clinic_refill_rules
    if not rules:
        return CLINIC_REFILL_RULE
    earliest = [rule for rule in rules if rule.effective_from == min(r.effective_from for r in rules)]
    return in_force(rules, day) or earliest[-1]


def limit(
    billed_on: Sequence[date],
    allowance: Allowance,
    covered_from: date | None,
    delivery_lead: int,
    as_of: date,
) -> int:
    """The most units that may be dispensed on `as_of`, found by trying."""
    most = allowance.units * allowance.at_once
    c = as_of if covered_from is None else max(as_of, covered_from)
    end = plus(c, allowance.period, allowance.at_once)
    still_held = sum(
        1
        for t in billed_on
        if plus(t, allowance.period, allowance.at_once) > as_of + timedelta(days=delivery_lead)
    )
    best = 0
    for q in range(1, most + 1):
        starts = covered_starts([*billed_on, *[as_of] * q], allowance)
        if all(s < end for s in starts[len(billed_on) :]) and q + still_held <= most:
            best = q
    return best


def fewest_lives(life: Period, target: Period, refill_on: date) -> int:
    """The fewest units whose lives reach the clinic's target."""
    k = 1
    while plus(refill_on, life, k) < plus(refill_on, target):
        k += 1
    return k


def state_on(facts: PatientFacts, row_dates: tuple[date, date, date], as_of: date) -> str:
    """The first state that holds."""
    supply_ends_on, deliver_from, ask_from = row_dates
    if any(lies_in(pause, as_of) for pause in facts.pauses):
        return "paused"
    if as_of > supply_ends_on:
        return "overdue"
    if as_of == supply_ends_on:
        return "due"
    if as_of >= deliver_from:
        return "deliver"
    if as_of >= ask_from:
        return "ask"
    return "in_supply"


# ---- all together


def line_row(
    facts: PatientFacts, policy: Policy, chain: Chain, contained: Sequence[Piece], as_of: date
) -> Row:
    """Everything the plan shows of one line."""
    past = [d for d in facts.deliveries if d.on <= as_of]
    own = sorted((d for d in past if d.kind == chain.kind), key=lambda d: d.on)
    code = own[-1].code if own else contained[-1].code
    latest = max([d.on for d in own] + [piece.delivered_on for piece in contained])
    worn_on, supply_ends_on = supply_end(facts, policy, chain, as_of)

    payer = payer_on(facts, as_of)
    terms = policy.payers.get(payer) if payer else None
    allowance = in_force(terms.allowances.get(code, ()), as_of) if terms is not None else None
    billed_on = sorted(
        d.on for d in past if d.code == code and d.billed_to == payer for _ in range(d.quantity)
    )
    covered_from = None
    if allowance is not None and billed_on:
        starts = covered_starts(billed_on, allowance)
        covered_from = next_covered(starts, allowance, max(starts))

    refill_on = max(supply_ends_on, covered_from or date.min)
    rule = refill_rule(policy, payer, refill_on)
    clinic = in_force(policy.clinic_terms, as_of) or ClinicTerms(date.min)
    ask_from = max(refill_on - timedelta(days=rule.contact_lead), latest + timedelta(days=clinic.gap_days))
    deliver_from = refill_on - timedelta(days=rule.delivery_lead)

    quantity_limit: int | None = None
    if allowance is not None:
        quantity_limit = 0
        if as_of >= deliver_from:
            quantity_limit = limit(billed_on, allowance, covered_from, rule.delivery_lead, as_of)
    quantity_suggested = 0
    if as_of >= deliver_from:
        life = life_on(facts, policy, code, max(as_of, refill_on))
        quantity_suggested = fewest_lives(life, clinic.target, refill_on)
        if quantity_limit is not None:
            quantity_suggested = min(quantity_suggested, quantity_limit)

    state = state_on(facts, (supply_ends_on, deliver_from, ask_from), as_of)
    return Row(
        kind=chain.kind,
        part_code=code,
        in_use_since=chain.in_use.started_on if chain.in_use is not None else None,
        worn_on=worn_on,
        spares=len(chain.spares),
        supply_ends_on=supply_ends_on,
        covered_from=covered_from,
        refill_on=refill_on,
        ask_from=ask_from,
        deliver_from=deliver_from,
        quantity_limit=quantity_limit,
        quantity_suggested=quantity_suggested,
        state=state,
        days_overdue=(as_of - supply_ends_on).days if state == "overdue" else None,
    )


def simulate(facts: PatientFacts, policy: Policy, *, as_of: date) -> list[Row]:
    """The lines of one patient on a day, ordered by kind: only those that ever had a unit by then."""
    days = [d.on for d in facts.deliveries if d.on <= as_of]
    if not days:
        return []
    first = min(days)
    masks = walk(facts, policy, Kind.MASK, (), first, as_of)
    packed = contained_pieces(policy, masks)
    rows = []
    for kind in sorted(Kind, key=lambda kind: kind.value):
        contained = [piece for piece in packed if policy.kinds[piece.code] == kind]
        if not contained and not any(d.kind == kind and d.on <= as_of for d in facts.deliveries):
            continue
        chain = masks if kind is Kind.MASK else walk(facts, policy, kind, contained, first, as_of)
        rows.append(line_row(facts, policy, chain, contained, as_of))
    return rows
