"""What happened to one invented patient, before it is written: parts given, events, lives, payers.

A history is told backwards: it says on which day a supply ends, and the refills before follow from the lives,
so that every state can be put on the given day exactly, whatever that day is.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random

from resupply.models import EventType
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, add
from resupply.rules.tables import part_types
from resupply.services.demo.clinic import Item, life_of
from resupply.services.demo.dates import (
    QUARTER,
    is_weekday,
    open_day_before,
    start_for,
    starts,
    supply_end,
    weekday_by,
)


@dataclass(frozen=True, slots=True)
class Part:
    """An item a patient uses, and how many of it make up one refill.

    `lasts`: how long a refill lasts where that is not so many lives: parts packed with a mask help out.
    """

    item: Item
    quantity: int = 1
    lasts: Period | None = None

    @property
    def kind(self) -> Kind:
        """Its line."""
        return part_types()[self.item.code].kind


@dataclass(slots=True, kw_only=True)
class Line:
    """One row of a dispense."""

    item: Item
    quantity: int
    first_use_on: date | None = None
    is_billed: bool = True
    exception_reason: str = ""
    void_reason: str = ""
    instead_of: "Line | None" = None
    """The row it was exchanged for."""


@dataclass(slots=True, kw_only=True)
class Gift:
    """Parts given on a day. `lost_on`: shipped, and lost on the way by then."""

    on: date
    elsewhere: bool = False
    void_reason: str = ""
    lost_on: date | None = None
    lines: list[Line] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """A swap, loss, pause or refit."""

    event: EventType
    on: date
    kind: str = ""
    until: date | None = None
    family: str = ""
    by_patient: bool = False
    void_reason: str = ""


@dataclass(frozen=True, slots=True)
class OwnLife:
    """A patient's own life of a code, with the clinician's reason."""

    code: str
    life: Period
    effective_from: date
    reason: str


@dataclass(slots=True, kw_only=True)
class History:
    """One patient's history up to `today`; `payer` is a payer's name, empty where the patient pays.

    `ends_on` is the day on which the quarterly supply ends, `quarters` how many of them went before. Of the
    kinds in `half_billed` the payer pays every other unit, the patient the rest.
    """

    today: date
    dice: Random
    kit: list[Part]
    ends_on: date
    quarters: int
    payer: str = ""
    most_early: int = 9
    half_billed: frozenset[Kind] = frozenset()
    gifts: list[Gift] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    lives: list[OwnLife] = field(default_factory=list)
    payers: list[tuple[date, str]] = field(default_factory=list)
    _deliveries: dict[date, date] = field(default_factory=dict)

    @property
    def since(self) -> date:
        """The day therapy started."""
        return quarters_before(self.ends_on, self.quarters)

    def ago(self, days: int) -> date:
        """So many days before today (after it, where negative)."""
        return self.today - timedelta(days=days)

    def weekday_ago(self, days: int) -> date:
        """A day of work about so many days before today."""
        return weekday_by(self.ago(days))

    def part(self, kind: Kind) -> Part:
        """The part of a kind this patient uses."""
        return next(part for part in self.kit if part.kind is kind)

    def supply(self, *kinds: Kind, but: tuple[Kind, ...] = (), until: date | None = None) -> None:
        """Keep these lines (none named: all but `but`) in supply up to `ends_on`.

        What lasts two quarters ends with this quarter or the next, as the count since the start has it.
        """
        for part in self.kit:
            if (kinds and part.kind not in kinds) or part.kind in but:
                continue
            twice = life_of(part.item.code) == Period(6, QUARTER.unit)
            ends_on = add(self.ends_on, QUARTER) if twice and self.quarters % 2 else self.ends_on
            self.refill(part, ends_on=ends_on, until=until)

    def refill(
        self,
        part: Part,
        *,
        ends_on: date,
        since: date | None = None,
        until: date | None = None,
        life: Period | None = None,
        last_billed: bool = False,
    ) -> None:
        """Refills of one part that last from `since` (the start of therapy) to `ends_on`.

        `until`: none is given on that day or later. `last_billed`: of a kind billed by halves, the last was.
        """
        first = since or self.since
        life, quantity = life or life_of(part.item.code), part.quantity
        if part.lasts:
            life, quantity = part.lasts, 1
        before: date | None = None
        days = starts(ends_on, life, quantity, since=first)
        for later, start in zip(range(len(days) - 1, -1, -1), days, strict=True):
            fits = before is None or before == start
            on = self._delivered_for(start) if fits else weekday_by(start)
            before = supply_end(start, life, quantity)
            if until is None or on < until:
                self.give(
                    on,
                    part,
                    first_use_on=start if on < start and (start == first or not fits) else None,
                    is_billed=part.kind not in self.half_billed or (later % 2 == 0) == last_billed,
                )

    def give(
        self,
        on: date,
        part: Part,
        *,
        quantity: int = 0,
        first_use_on: date | None = None,
        is_billed: bool = True,
        exception_reason: str = "",
        void_reason: str = "",
        elsewhere: bool = False,
    ) -> Gift:
        """Add a row to what was given that day."""
        gift = self.gift_on(on, elsewhere=elsewhere)
        gift.lines.append(
            Line(
                item=part.item,
                quantity=quantity or part.quantity,
                first_use_on=first_use_on,
                is_billed=is_billed,
                exception_reason=exception_reason,
                void_reason=void_reason,
            )
        )
        return gift

    def gift_on(self, on: date, *, elsewhere: bool = False) -> Gift:
        """What was given on a day and not taken back."""
        for gift in self.gifts:
            if gift.on == on and gift.elsewhere == elsewhere and not gift.void_reason:
                return gift
        self.gifts.append(Gift(on=on, elsewhere=elsewhere))
        return self.gifts[-1]

    def swap(self, kind: Kind, on: date) -> None:
        """The patient reports having changed a part."""
        self.happenings.append(Happening(event=EventType.SWAP, on=on, kind=kind, by_patient=True))

    def lose(self, kind: Kind, on: date) -> None:
        """The unit in use is lost or broken."""
        self.happenings.append(Happening(event=EventType.LOSS, on=on, kind=kind, by_patient=True))

    def pause(self, on: date, until: date | None) -> None:
        """Therapy pauses; `until` is its first day again."""
        self.happenings.append(Happening(event=EventType.PAUSE, on=on, until=until))

    def refit(self, on: date, family: str) -> None:
        """The patient is refitted to another mask family."""
        self.happenings.append(Happening(event=EventType.REFIT, on=on, family=family))

    def own_life(self, part: Part, life: Period, *, ends_on: date, refills: int, reason: str) -> None:
        """A life of the patient's own, in force for the last `refills` refills of a part; the last ends on
        `ends_on`.
        """
        start = ends_on
        for _ in range(refills):
            start = start_for(start, life, part.quantity)
        self.lives.append(OwnLife(part.item.code, life, start, reason))
        usual = Part(part.item, min(part.quantity, 3))
        self.refill(usual, ends_on=start)
        self.refill(part, ends_on=ends_on, since=start, life=life)

    def _delivered_for(self, start: date) -> date:
        """When the refill came that starts on a day: one visit for all lines, on a weekday, at most
        `most_early` days before. What therapy starts with comes that day, or on the Friday before.
        """
        if start not in self._deliveries:
            most = 2 if start == self.since else self.most_early
            early = open_day_before(start, most=most, dice=self.dice)
            same_day = start == self.since and is_weekday(start)
            self._deliveries[start] = start if same_day else early
        return self._deliveries[start]


def quarters_before(day: date, count: int) -> date:
    """The first day of the oldest of `count` quarters that end on a day."""
    for _ in range(count):
        day = start_for(day, QUARTER, 1)
    return day
