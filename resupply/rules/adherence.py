"""Adherence in the first months: whether use was enough, and when the re-evaluation has to be.

The rule in plain words. Use is enough where, within some 30 nights in a row that lie wholly in the first
three calendar months of therapy, at least 21 nights (70 %) have 4 hours of use or more. Minutes are compared,
nothing is rounded up. The re-evaluation takes place on a day from the first to the last of the covering
policy's window, day 1 being the first night.

Conventions of ours: a night belongs to the date on which it starts; a night without data counts as not used;
a window is judged once its last night is over, even where 21 nights are reached before. Where too few nights
are left to reach 21, the question is decided before the three months are over.

Sources: `adherence_rules.toml`.

>>> start = date(2025, 1, 1)
>>> used = {start + timedelta(days=n): 240 for n in range(21)}
>>> judge(used, started_on=start, through=date(2025, 1, 30)).verdict.value
'met'
>>> judge(used, started_on=start, through=date(2025, 1, 21)).verdict.value
'open'
>>> reevaluation(start, policy="pap")
Reevaluation(policy='pap', first=datetime.date(2025, 1, 31), last=datetime.date(2025, 4, 1))
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from functools import lru_cache
from itertools import accumulate
from pathlib import Path

from resupply.rules.periods import Period, Unit, add


class Verdict(StrEnum):
    """Whether use was enough."""

    MET = "met"
    NOT_MET = "not_met"
    OPEN = "open"


class When(StrEnum):
    """How a day lies to the re-evaluation window."""

    EARLY = "early"
    WITHIN = "within"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class UseRule:
    """How much use is enough: `minutes` or more on `nights` of `window_nights` in the first months."""

    minutes: int
    nights: int
    window_nights: int
    first_months: int
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class ReevaluationRule:
    """The days, day 1 being the first night, between which a policy wants the patient seen again."""

    policy: str
    name: str
    first_day: int
    last_day: int
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class Window:
    """Nights in a row, first and last included, and how many of them had use enough."""

    first: date
    last: date
    nights: int


@dataclass(frozen=True, slots=True)
class Chance:
    """The easiest way left: so many more nights of use by the night `by`, of so many that are left."""

    needed: int
    nights_left: int
    by: date


@dataclass(frozen=True, slots=True)
class Adherence:
    """What the nights through `through` say.

    `met`: the earliest window that was enough. `best`: of the windows that are over, the one with most
    nights, the earliest of equals (None before the first is over). `chance`: only while the question is open.
    """

    verdict: Verdict
    met: Window | None
    best: Window | None
    chance: Chance | None
    last_night: date
    through: date


@dataclass(frozen=True, slots=True)
class Reevaluation:
    """First and last day of the window, both included."""

    policy: str
    first: date
    last: date

    def when(self, day: date) -> When:
        """How a day lies to the window."""
        if day < self.first:
            return When.EARLY
        return When.WITHIN if day <= self.last else When.LATE


@lru_cache(maxsize=1)
def shipped() -> tuple[UseRule, dict[str, ReevaluationRule]]:
    """The rules shipped with the program; re-evaluation by policy."""
    data = tomllib.loads(Path(__file__).with_name("adherence_rules.toml").read_text(encoding="utf-8"))
    rules = [ReevaluationRule(**row) for row in data["reevaluation"]]
    return UseRule(**data["use"]), {rule.policy: rule for rule in rules}


def reevaluation(
    started_on: date, *, policy: str, rules: Mapping[str, ReevaluationRule] | None = None
) -> Reevaluation:
    """The re-evaluation window for therapy begun on a day. Raises KeyError for a policy that is not known."""
    rule = (shipped()[1] if rules is None else rules)[policy]
    first, last = (started_on + timedelta(days=day - 1) for day in (rule.first_day, rule.last_day))
    return Reevaluation(policy, first, last)


def judge(
    minutes: Mapping[date, int], *, started_on: date, through: date, rule: UseRule | None = None
) -> Adherence:
    """Judge use by the night on which it began; a night that is missing was not used.

    `started_on`: the first night. `through`: the last night that is over and would have data by now; later
    nights are ignored.
    """
    rule = rule or shipped()[0]
    first_months = (add(started_on, Period(rule.first_months, Unit.MONTH)) - started_on).days
    last_night = started_on + timedelta(days=first_months - 1)
    days = [started_on + timedelta(days=n) for n in range(first_months)]
    over = min(max((through - started_on).days + 1, 0), first_months)
    enough = [int(n < over and minutes.get(day, 0) >= rule.minutes) for n, day in enumerate(days)]
    so_far = list(accumulate(enough, initial=0))
    windows = [
        Window(days[end - rule.window_nights], days[end - 1], so_far[end] - so_far[end - rule.window_nights])
        for end in range(rule.window_nights, over + 1)
    ]
    met = next((window for window in windows if window.nights >= rule.nights), None)
    best = max(windows, key=lambda window: window.nights, default=None)
    chance = None if met else _chance(so_far, days, over, rule)
    verdict = Verdict.MET if met else Verdict.OPEN if chance else Verdict.NOT_MET
    return Adherence(verdict, met, best, chance, last_night, through)


def _chance(so_far: list[int], days: list[date], over: int, rule: UseRule) -> Chance | None:
    """The window still to end that needs fewest nights more, the earliest of equals; None where none can."""
    chances = []
    for end in range(max(over + 1, rule.window_nights), len(days) + 1):
        used = so_far[over] - so_far[min(end - rule.window_nights, over)]
        needed, left = max(rule.nights - used, 0), min(end - over, rule.window_nights)
        if needed <= left:
            chances.append(Chance(needed, left, days[end - 1]))
    return min(chances, key=lambda chance: chance.needed, default=None)
