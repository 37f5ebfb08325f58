"""What a change of policy does to one patient: each line before and after, and the work it makes.

The rule in plain words. Both plans are worked out from the same facts as of the same day; nothing is
dispensed until then. A line *moves* where one of its four dates (end of supply, refill, asking, dispensing)
differs. What happens to it is the first that holds: it becomes overdue, is overdue no more, becomes due, is
due no more, comes sooner, comes later (by its refill date, then by the others in the order above), or only
the number of parts differs.

The work of the next 90 days counts the chain of refills that each line will need if each comes on its refill
date (`chains`): *parts* are the units of refills whose date lies in those days (one that has passed counts
today); *questions* are the days on which the patient is to be asked, one a day however many lines. So both
are what the rules call for, not what will happen: nobody asks a patient without consent, and not all say yes.

Edge cases: a line in a pause is neither due nor overdue, and one without an end makes no work; without an end
in sight (no refill possible) a chain stops. Source: ours.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from resupply.rules.bundling import EVERY_DAY
from resupply.rules.chains import ChainTerms, chain, terms_of
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, PatientPlan, State, Terms, state_of
from resupply.rules.periods import add_days
from resupply.rules.refills import rule_for

HORIZON = 90
"""Days ahead for which work is counted."""


class Change(StrEnum):
    """What happens to a line, to a patient's cleaning lists, or (`other_effects`) besides the plans."""

    BECOMES_OVERDUE = "becomes_overdue"
    LEAVES_OVERDUE = "leaves_overdue"
    BECOMES_DUE = "becomes_due"
    LEAVES_DUE = "leaves_due"
    SOONER = "sooner"
    LATER = "later"
    PARTS = "parts"
    LISTS = "lists"
    REFERRED = "referred"
    NOT_REFERRED = "not_referred"
    EXCLUDED = "excluded"
    OTHER_FIRST = "other_first"
    OTHER_ORDER = "other_order"
    STANDING = "standing"
    VISITS = "visits"
    MESSAGES = "messages"


@dataclass(frozen=True, slots=True)
class LineWork:
    """What one line asks for in the next days: units of parts, and days of questions."""

    parts: int
    questions: frozenset[date]


@dataclass(frozen=True, slots=True)
class LineEffect:
    """A line before and after; `change` None: nothing that counts differs."""

    kind: Kind
    before: LinePlan
    after: LinePlan
    parts_before: int
    parts_after: int
    change: Change | None


@dataclass(frozen=True, slots=True)
class Counts:
    """A patient's lines in numbers on a day, and the work of the days after it."""

    lines: int
    overdue: int
    due: int
    ready: int
    ask: int
    parts: int
    questions: int


@dataclass(frozen=True, slots=True)
class PatientEffect:
    """What a change does to one patient."""

    payer: str
    lines: tuple[LineEffect, ...]
    before: Counts
    after: Counts


def effect_on(
    facts: PatientFacts,
    plans: tuple[PatientPlan, PatientPlan],
    policies: tuple[Policy, Policy],
    *,
    as_of: date,
) -> PatientEffect:
    """What changes from the first plan and policy to the second, both worked out as of a day."""
    known: dict[tuple[LinePlan, ChainTerms], LineWork] = {}
    works: list[dict[Kind, LineWork]] = []
    for plan, policy in zip(plans, policies, strict=True):
        works.append(_works(plan, facts, policy, known, as_of=as_of))
    after = {line.kind: line for line in plans[1].lines}
    lines = [
        _line(line, after[line.kind], works[0][line.kind].parts, works[1][line.kind].parts, as_of=as_of)
        for line in plans[0].lines
    ]
    counts = [_counts(plan.lines, work, as_of=as_of) for plan, work in zip(plans, works, strict=True)]
    return PatientEffect(plans[0].payer, tuple(lines), counts[0], counts[1])


def change_of(before: LinePlan, after: LinePlan, *, as_of: date) -> Change | None:
    """What happens to a line's dates; None: none of the four moves."""
    dates = list(zip(_dates(before), _dates(after), strict=True))
    if all(one == other for one, other in dates):
        return None
    was, becomes = state_of(before, as_of=as_of), state_of(after, as_of=as_of)
    if was != becomes:
        if becomes is State.OVERDUE:
            return Change.BECOMES_OVERDUE
        if was is State.OVERDUE:
            return Change.LEAVES_OVERDUE
        if becomes is State.DUE:
            return Change.BECOMES_DUE
        if was is State.DUE:
            return Change.LEAVES_DUE
    one, other = next(pair for pair in dates if pair[0] != pair[1])
    return Change.SOONER if other < one else Change.LATER


def _dates(line: LinePlan) -> tuple[date, date, date, date]:
    return line.refill_on, line.supply_ends_on, line.ask_from, line.deliver_from


def _line(before: LinePlan, after: LinePlan, parts: int, parts_after: int, *, as_of: date) -> LineEffect:
    change = change_of(before, after, as_of=as_of)
    if change is None and parts != parts_after:
        change = Change.PARTS
    return LineEffect(before.kind, before, after, parts, parts_after, change)


def _works(
    plan: PatientPlan,
    facts: PatientFacts,
    policy: Policy,
    known: dict[tuple[LinePlan, ChainTerms], LineWork],
    *,
    as_of: date,
) -> dict[Kind, LineWork]:
    """The work of each line; what has been worked out for the other plan is not worked out again."""
    gap = Terms.of(facts, policy, as_of=as_of).clinic.gap_days
    works: dict[Kind, LineWork] = {}
    for line in plan.lines:
        terms = terms_of(line, facts, policy, as_of=as_of)
        work = known.get((line, terms))
        if work is None:
            work = known[(line, terms)] = work_of(line, terms, gap, as_of=as_of)
        works[line.kind] = work
    return works


def work_of(line: LinePlan, terms: ChainTerms, gap_days: int, *, as_of: date) -> LineWork:
    """Parts and questions of one line in the `HORIZON` days from `as_of` on."""
    end = add_days(as_of, HORIZON)
    longest = max((rule.contact_lead - rule.delivery_lead for rule in terms.rules), default=20)
    parts, questions, given_on = 0, set(), None
    refills = chain(line, terms, EVERY_DAY, earliest=as_of, as_of=as_of, until=add_days(end, max(longest, 0)))
    for refill in refills:
        if given_on is None:
            asked_on = line.ask_from
        else:
            lead = rule_for(terms.rules, refill.refill_on).contact_lead
            asked_on = max(add_days(refill.refill_on, -lead), add_days(given_on, gap_days))
        if (asked := max(asked_on, as_of, refill.not_before)) < end:
            questions.add(asked)
        given_on = max(refill.refill_on, as_of)
        if given_on < end:
            parts += refill.quantity
    return LineWork(parts, frozenset(questions))


def _counts(lines: Iterable[LinePlan], works: Mapping[Kind, LineWork], *, as_of: date) -> Counts:
    states = [state_of(line, as_of=as_of) for line in lines]
    asked: set[date] = set()
    for work in works.values():
        asked |= work.questions
    return Counts(
        lines=len(states),
        overdue=states.count(State.OVERDUE),
        due=states.count(State.DUE),
        ready=states.count(State.DELIVER),
        ask=states.count(State.ASK),
        parts=sum(work.parts for work in works.values()),
        questions=len(asked),
    )
