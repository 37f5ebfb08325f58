"""Whether a refill may be dispensed on a day, by the published refill rule in force on that very day.

The rule in plain words: a refill of a recurring item goes out only after the patient's own yes to this
refill, recorded before it goes; the patient is asked no earlier, and the refill dispensed no earlier, than
the leads of the version in force on the date of service. No standing consent, no silence and no "stop" is a
yes. Late contact (after the supply has ended) is fine. Days are calendar days; nothing moves for weekends
or holidays.

Edge cases: a part handed over in person needs no refill record (the signed slip or receipt is enough), yet
the earliest delivery holds. Without an expected end of supply (a first dispense) there is no window to
breach. A version that said "should" is reported as advice. For a parcel the day tested is the day it is
shipped.

>>> from datetime import date
>>> check_dispense(
...     dispensed_on=date(2024, 3, 22), supply_ends_on=date(2024, 4, 1), asked_on=date(2024, 3, 2),
...     answer=AnswerKind.YES, recorded_before=True, shipped=True,
... ).allowed
True
>>> [s.reason.value for s in check_dispense(
...     dispensed_on=date(2024, 3, 21), supply_ends_on=date(2024, 4, 1), asked_on=date(2024, 3, 2),
...     answer=AnswerKind.NONE, recorded_before=True, shipped=True,
... ).stops]
['not_affirmative', 'delivered_too_early']

Sources: `refill_rules.toml` for the versions; 42 CFR 424.57(c)(12) for keeping proof of delivery. The
expected end of supply is ours: no formula is published.
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from resupply.rules.periods import Period, Unit, add, add_days
from resupply.rules.tables import Anchor, PublishedRefillRule, refill_rule_on

PROOF_KEPT = Period(7 * 12, Unit.MONTH)
"""Proof of delivery is kept seven years from the date of service (42 CFR 424.57(c)(12))."""


class AnswerKind(StrEnum):
    """What the patient said to this refill."""

    YES = "yes"
    NO = "no"
    NONE = "none"
    """No reply."""
    STANDING = "standing"
    """A consent given once for all refills."""
    STOP = "stop"
    """Not to be contacted again: no yes, and an opt-out besides."""


class Reason(StrEnum):
    """Why a dispense is stopped."""

    NOT_ASKED = "not_asked"
    NOT_AFFIRMATIVE = "not_affirmative"
    RECORDED_LATE = "recorded_late"
    ASKED_TOO_EARLY = "asked_too_early"
    DELIVERED_TOO_EARLY = "delivered_too_early"


@dataclass(frozen=True, slots=True)
class Stop:
    """One reason against a dispense. `yes_from`: the first day on which it would no longer hold.

    For `asked_too_early` that is the earliest day to ask (again); None where no day alone mends it.
    """

    reason: Reason
    yes_from: date | None
    binding: bool
    """False where the version said "should"."""


@dataclass(frozen=True, slots=True)
class DispenseVerdict:
    """What the version in force on the day of the dispense says; allowed where no binding stop is left."""

    version: str
    source: str
    stops: tuple[Stop, ...]

    @property
    def allowed(self) -> bool:
        """Whether no binding stop is left."""
        return not any(stop.binding for stop in self.stops)


def check_dispense(
    *,
    dispensed_on: date,
    supply_ends_on: date | None,
    asked_on: date | None,
    answer: AnswerKind,
    recorded_before: bool,
    shipped: bool,
) -> DispenseVerdict:
    """Check a refill by the version in force on its own date (the ship date, where it is shipped).

    `supply_ends_on`: expected end of the supply before this refill, None for a first dispense. `asked_on`:
    day of the contact that brought `answer`. `recorded_before`: it was on record before the parts left.
    """
    rule = refill_rule_on(dispensed_on)
    stops: list[Stop] = []
    if shipped:
        stops += _request_stops(dispensed_on, asked_on, answer, recorded_before)
        earliest_contact = _earliest_contact(rule, dispensed_on, supply_ends_on)
        if asked_on is not None and earliest_contact is not None and asked_on < earliest_contact:
            stops.append(Stop(Reason.ASKED_TOO_EARLY, earliest_contact, rule.binding))
    if supply_ends_on is not None:
        earliest = add_days(supply_ends_on, -rule.delivery_lead)
        if dispensed_on < earliest:
            stops.append(Stop(Reason.DELIVERED_TOO_EARLY, earliest, rule.binding))
    return DispenseVerdict(rule.version, rule.source, tuple(stops))


def _request_stops(
    dispensed_on: date,
    asked_on: date | None,
    answer: AnswerKind,
    recorded_before: bool,
) -> list[Stop]:
    """What is missing of the patient's own yes to this refill, on record before it goes out."""
    stops = []
    if answer is not AnswerKind.YES:
        stops.append(Stop(Reason.NOT_AFFIRMATIVE, None, True))
    elif asked_on is None:
        stops.append(Stop(Reason.NOT_ASKED, None, True))
    elif not recorded_before or asked_on > dispensed_on:
        stops.append(Stop(Reason.RECORDED_LATE, None, True))
    return stops


def _earliest_contact(
    rule: PublishedRefillRule, dispensed_on: date, supply_ends_on: date | None
) -> date | None:
    """The earliest contact by the version's own anchor; None where the anchor is not known."""
    anchor = dispensed_on if rule.contact_anchor is Anchor.DELIVERY else supply_ends_on
    return add_days(anchor, -rule.contact_lead) if anchor is not None else None


def keep_until(date_of_service: date) -> date:
    """The last day on which proof of delivery of a date of service must still be kept.

    Seven years, through that day; a leap day's anniversary is the last of February (the clamp is ours).
    """
    return add(date_of_service, PROOF_KEPT)
