"""What stands against giving parts to a patient on a day, row by row.

Four stops hold whatever reason is typed: magnets where a screen has not cleared the patient, a recall, an
expiry passed on the day of the dispense, and, for what is shipped, no own yes of the patient to these very
parts on record before they go (`no_yes`, `recorded_late`). The others lie within the judgement of staff and
go out with a typed reason (`standing`): too early, too many, another mask family than the patient wears,
asked earlier than the refill rule allows. Each says from which day it no longer holds, where a day mends it.

Edge cases. Rows of one code add up, in their order. A part given too early is counted against the limit of
its first day too. A yes covers the code it names and, where it names a number, so many units over all rows;
it covers no day before it was recorded. The published refill rule in force on the day of the dispense checks
it for payers who follow that rule; a payer with a rule of its own, and the clinic's own leads where nobody
else pays or the payer has none, are checked by their version in force on that day; a version that said
"should" stops nothing. A family is compared where both are stated: the one worn is that of the latest refit
or mask, the refit first on one day. A part handed over in person needs no recorded yes.

>>> from resupply.rules.tables import shipped_kinds, shipped_lives
>>> policy = Policy(kinds=shipped_kinds(), default_lives=shipped_lives())
>>> old = Part("A7032", 1, magnetic="no", expires_on=date(2026, 3, 17))
>>> [[stop.code.value for stop in row] for row in stops([old], PatientFacts(), policy, on=date(2026, 3, 18))]
[['expired']]
>>> standing(stops([old], PatientFacts(), policy, on=date(2026, 3, 18))[0], reason="it looks fine")
(Stop(code=<StopCode.EXPIRED: 'expired'>, yes_from=None, most=None),)

Sources: `refill_rules.toml` for the versions and the request on record; `magnets` for magnets; `limits` for
first day and quantity. That only four stops are beyond a reason is ours, and cautious.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from resupply.rules.deliveries import AnswerKind, Reason, check_dispense
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.kinds import REFIT_KINDS
from resupply.rules.limits import Room, room_for
from resupply.rules.lines import LinePlan, Terms, plan_lines
from resupply.rules.magnets import ScreenFacts, may_hold_magnets, verdict
from resupply.rules.periods import add_days
from resupply.rules.refills import rule_for
from resupply.rules.tables import shipped_refill_rules


class StopCode(StrEnum):
    """What stands against a part, the gravest first."""

    MAGNETS = "magnets"
    RECALLED = "recalled"
    EXPIRED = "expired"
    NO_YES = "no_yes"
    RECORDED_LATE = "recorded_late"
    WRONG_FAMILY = "wrong_family"
    TOO_EARLY = "too_early"
    TOO_MANY = "too_many"
    ASKED_TOO_EARLY = "asked_too_early"


LIFTABLE = frozenset({StopCode.WRONG_FAMILY, StopCode.TOO_EARLY, StopCode.TOO_MANY, StopCode.ASKED_TOO_EARLY})
"""What a typed reason lifts."""


@dataclass(frozen=True, slots=True)
class Stop:
    """One thing against a part. `yes_from`: the day from which it no longer holds (of `asked_too_early`: from
    which the patient may be asked); None: no day alone mends it. `most`: how many may go out instead.
    """

    code: StopCode
    yes_from: date | None = None
    most: int | None = None

    @property
    def liftable(self) -> bool:
        """Whether a reason typed by staff lifts it."""
        return self.code in LIFTABLE


@dataclass(frozen=True, slots=True)
class Yes:
    """The patient's own yes to a refill: asked on a day, on record since one, for so many units (None: as
    many as are needed) of a code.
    """

    asked_on: date
    recorded_on: date
    code: str
    quantity: int | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One row of a dispense. `magnetic`: what its item says ("no", "yes", "unknown"); None: no item."""

    code: str
    quantity: int
    family: str = ""
    expires_on: date | None = None
    magnetic: str | None = None
    recalled: bool = False
    yes: Yes | None = None


Stops = tuple[Stop, ...]


def stops(
    parts: Sequence[Part],
    facts: PatientFacts,
    policy: Policy,
    *,
    on: date,
    screen: ScreenFacts | None = None,
    shipped: bool = False,
) -> list[Stops]:
    """What stands against each row on a day (the ship date, where it is shipped), the gravest first.

    Raises KeyError for a code that is no part type.
    """
    lines = plan_lines(facts, policy, as_of=on)
    worn = family_worn(facts, as_of=on)
    blocked = verdict(screen, as_of=on).blocked
    so_far: Counter[str] = Counter()
    found: list[Stops] = []
    for part in parts:
        so_far[part.code] += part.quantity
        kind = policy.kinds[part.code]
        row = [
            *([Stop(StopCode.MAGNETS)] if blocked and may_hold_magnets(kind, part.magnetic) else []),
            *([Stop(StopCode.RECALLED)] if part.recalled else []),
            *([Stop(StopCode.EXPIRED)] if part.expires_on and part.expires_on < on else []),
            *([Stop(StopCode.WRONG_FAMILY)] if kind in REFIT_KINDS and _differ(part.family, worn) else []),
            *_limits(so_far[part.code], room_for(part.code, facts, policy, lines, as_of=on), on),
            *(_request(part, so_far[part.code], facts, policy, lines, on) if shipped else []),
        ]
        found.append(tuple(sorted(row, key=lambda stop: _ORDER[stop.code])))
    return found


_ORDER = {code: place for place, code in enumerate(StopCode)}


def standing(row: Stops, *, reason: str) -> Stops:
    """What still stands against a row once a reason (empty: none) has been typed."""
    return tuple(stop for stop in row if not (stop.liftable and reason.strip()))


def family_worn(facts: PatientFacts, *, as_of: date) -> str:
    """The family of the mask a patient wears, as last stated by a refit or a mask; empty: never stated."""
    stated = [
        (delivery.on, 0, place, delivery.family)
        for place, delivery in enumerate(facts.deliveries)
        if delivery.kind == "mask" and delivery.family and delivery.on <= as_of
    ]
    stated += [
        (refit.on, 1, place, refit.family) for place, refit in enumerate(facts.refits) if refit.on <= as_of
    ]
    return max(stated)[3] if stated else ""


def _differ(family: str, worn: str) -> bool:
    """Whether two families are stated and not the same."""
    mine, theirs = family.strip().casefold(), worn.strip().casefold()
    return bool(mine and theirs) and mine != theirs


def _limits(wanted: int, room: Room, on: date) -> list[Stop]:
    """Whether so many units are more, or earlier, than the limits of the day."""
    found = []
    first = room.deliver_from
    if first is not None and on < first:
        found.append(Stop(StopCode.TOO_EARLY, first))
    most = room.on(max(on, first) if first else on).quantity
    if most is not None and wanted > most:
        found.append(Stop(StopCode.TOO_MANY, room.first_day_for(wanted, after=on), most))
    return found


def _request(
    part: Part, wanted: int, facts: PatientFacts, policy: Policy, lines: Sequence[LinePlan], on: date
) -> list[Stop]:
    """What the patient's own yes to a shipped refill lacks on the ship date."""
    kind = policy.kinds[part.code]
    ends = next((line.supply_ends_on for line in lines if line.kind == kind), None)
    yes = part.yes if part.yes is not None and part.yes.code == part.code else None
    found = []
    if yes is not None and yes.quantity is not None and wanted > yes.quantity:
        found.append(Stop(StopCode.NO_YES, most=yes.quantity))
    checked = check_dispense(
        dispensed_on=on,
        supply_ends_on=ends,
        asked_on=yes.asked_on if yes else None,
        answer=AnswerKind.YES if yes else AnswerKind.NONE,
        recorded_before=yes is not None and yes.recorded_on <= on,
        shipped=True,
    )
    rules = Terms.of(facts, policy, as_of=on).rules
    if rules == shipped_refill_rules():
        codes = _REQUEST | {Reason.ASKED_TOO_EARLY: StopCode.ASKED_TOO_EARLY}
    else:
        codes = _REQUEST
        first = add_days(ends, -rule_for(rules, on).contact_lead) if ends else None
        if yes and first and yes.asked_on < first:
            found.append(Stop(StopCode.ASKED_TOO_EARLY, first))
    found += [
        Stop(codes[stop.reason], stop.yes_from)
        for stop in checked.stops
        if stop.binding and stop.reason in codes
    ]
    return found


_REQUEST = {
    Reason.NOT_ASKED: StopCode.NO_YES,
    Reason.NOT_AFFIRMATIVE: StopCode.NO_YES,
    Reason.RECORDED_LATE: StopCode.RECORDED_LATE,
}
"""That it was delivered too early, `limits` says already: no plan's first day is before that of the rule."""
