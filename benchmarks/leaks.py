"""The change test for leak on simulated nights: how often it is wrong, how often and how soon it is right.

Nights are drawn from a bell curve, from nights that resemble the one before (correlation 0.3 and 0.5), and
with odd nights among them. Nothing here touches a database or a patient. For one look at independent nights
the share of false alarms is known by counting (`rules.leaks.false_alarm`): the limit the simulation has to
meet.
"""

from collections.abc import Iterator, Sequence
from random import Random

from benchmarks.measure import Result
from resupply.rules.leaks import BASELINE_NIGHTS, RECENT_NIGHTS, false_alarm, first_found, look

USUAL, SPREAD = 20.0, 5.0
"""Leak of a night in L/min: mean and standard deviation of the simulated patient."""

LIVES = (30, 90)
"""Nights a cushion is in use: a month, three months."""


def run(sizes: Sequence[int]) -> Iterator[Result | str]:
    """Lines for reading, and one result: the false alarms of a look against what counting gives."""
    many = 200 if max(sizes) < 10_000 else 2_000
    dice = Random(1)
    looks = [_above_often(nights(BASELINE_NIGHTS + RECENT_NIGHTS, dice)) for _ in range(many * 20)]
    yield Result(
        "leak: false alarms of one look, independent nights, without the rise it must have besides",
        sum(looks) / len(looks),
        false_alarm(),
        "by counting ranks",
        1.5,
    )
    for life in LIVES:
        for alike in (0.0, 0.3, 0.5):
            for odd in (0.0, 0.08):
                yield _line(life, alike, odd, many)


def nights(
    count: int, dice: Random, *, alike: float = 0.0, odd: float = 0.0, rise: float = 0.0, from_night: int = 0
) -> list[float]:
    """Leak by night in L/min. `alike`: correlation with the night before; `odd`: share of nights far above
    the rest; `rise`: added from a night on.
    """
    leaks, state = [], dice.gauss(0, 1)
    for night in range(count):
        state = alike * state + (1 - alike**2) ** 0.5 * dice.gauss(0, 1)
        more = abs(dice.gauss(0, 3)) if dice.random() < odd else 0.0
        leaks.append(max(0.0, USUAL + SPREAD * (state + more) + (rise if night >= from_night else 0.0)))
    return leaks


def _above_often(leaks: Sequence[float]) -> bool:
    """Whether the first half of the rule holds: enough of the last nights above the mark."""
    found = look(leaks)
    return found.found or (found.why_not is not None and found.why_not.value == "too_small")


def _line(life: int, alike: float, odd: float, many: int) -> str:
    """One situation: false alarms in a cushion's life with a look every night, and power for three rises."""
    dice = Random(f"{life} {alike} {odd}")
    wrong = sum(first_found(nights(life, dice, alike=alike, odd=odd)) is not None for _ in range(many)) / many
    parts = []
    for rise in (5.0, 10.0, 15.0):
        found = [
            first_found(nights(life, dice, alike=alike, odd=odd, rise=rise, from_night=20))
            for _ in range(many // 2)
        ]
        hits = sorted(count - 20 for count in found if count is not None)
        soon = f", {hits[len(hits) // 2]} nights after it" if hits else ""
        parts.append(f"+{rise:.0f} L/min {len(hits) / len(found):.0%}{soon}")
    return (
        f"leak: {life} nights, each alike the last by {alike:g}, {odd:.0%} odd: false alarms {wrong:.1%}; "
        f"found {'; '.join(parts)}"
    )
