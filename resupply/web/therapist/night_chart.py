"""Use and leak over time as a chart: one column a night, leak above it, the days on which parts were begun.

Geometry only; the words and the table stand beside it. Use in hours, leak (95th percentile) in L/min. A night
without data leaves a gap; lines are drawn between nights that follow each other alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from resupply.delivery.words import MONTHS
from resupply.models import Night

WIDTH, LEFT, RIGHT = 960, 44, 12
USE_TOP, USE_HEIGHT = 150, 120
LEAK_TOP, LEAK_HEIGHT = 18, 100
MOST_HOURS = 12
ENOUGH_HOURS = 4
MOST_NIGHTS = 120
WIDEST = 24.0
"""The most that one night takes of the axis: a few nights stay columns."""


@dataclass(frozen=True, slots=True)
class Column:
    """A night's use: left edge, top, width, height; whether it reaches 4 hours."""

    x: float
    y: float
    width: float
    height: float
    is_enough: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on an axis with its words."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Install:
    """The day a part was begun."""

    x: float
    name: str
    on: date


@dataclass(frozen=True, slots=True)
class NightChart:
    """Everything the template draws."""

    width: int
    height: int
    columns: list[Column]
    lines: list[str]
    """Leak: points of each unbroken run, as SVG polylines take them; a single night is a point twice."""
    hours: list[Mark]
    leaks: list[Mark]
    months: list[Mark]
    installs: list[Install]
    enough_y: float
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Days:
    """The time axis: its first day, and how wide a day is."""

    first: date
    step: float

    def x(self, day: date) -> float:
        """The left edge of a day."""
        return LEFT + (day - self.first).days * self.step


def night_chart(
    nights: Sequence[Night], installs: Sequence[tuple[str, date]], *, last: date
) -> NightChart | None:
    """The chart of the nights up to `last`, at most 120 of them; None where there is none.

    `installs`: names of parts with the day each was begun.
    """
    shown = [night for night in nights if last - timedelta(days=MOST_NIGHTS) < night.night_on <= last]
    if not shown:
        return None
    first = shown[0].night_on
    axis = Days(first, min((WIDTH - LEFT - RIGHT) / ((last - first).days + 1), WIDEST))
    most = _round_up(max((float(night.leak_p95 or 0) for night in shown), default=0))
    ticks = [most * part for part in (0, 0.5, 1)]
    return NightChart(
        WIDTH,
        USE_TOP + USE_HEIGHT + 26,
        [_column(night, axis) for night in shown],
        [_points(run, axis, most) for run in _runs(shown)],
        [Mark(_use_y(hours), f"{hours} h") for hours in range(0, MOST_HOURS + 1, 4)],
        [Mark(_leak_y(leak, most), f"{leak:.0f}") for leak in ticks],
        list(_months(axis, last)),
        [Install(round(axis.x(on), 1), name, on) for name, on in installs if first <= on <= last],
        _use_y(ENOUGH_HOURS),
        first,
        last,
    )


def _column(night: Night, axis: Days) -> Column:
    hours = min(night.usage_min / 60, MOST_HOURS)
    top = _use_y(hours)
    width = max(axis.step - min(2.0, axis.step / 4), 0.8)
    height = round(USE_TOP + USE_HEIGHT - top, 1)
    return Column(
        round(axis.x(night.night_on), 1),
        round(top, 1),
        round(width, 1),
        height,
        night.usage_min >= ENOUGH_HOURS * 60,
    )


def _runs(nights: Sequence[Night]) -> Iterator[list[Night]]:
    """Nights with leak that follow each other, of one kind of leak."""
    run: list[Night] = []
    for night in nights:
        if night.leak_p95 is None:
            continue
        follows = run and (night.night_on - run[-1].night_on).days == 1
        if run and not (follows and night.leak_kind == run[-1].leak_kind):
            yield run
            run = []
        run.append(night)
    if run:
        yield run


def _points(run: Sequence[Night], axis: Days, most: float) -> str:
    """A run of leak as a polyline takes it."""
    points = []
    for night in run:
        x, y = axis.x(night.night_on) + axis.step / 2, _leak_y(float(night.leak_p95 or 0), most)
        points.append(f"{x:.1f},{y:.1f}")
    return " ".join(points if len(points) > 1 else points * 2)


def _months(axis: Days, last: date) -> Iterator[Mark]:
    """The first night, and the first of each month that is not too close to it."""
    day = axis.first
    while day <= last:
        is_far = (day - axis.first).days * axis.step > 60
        if day == axis.first or (day.day == 1 and is_far):
            yield Mark(round(axis.x(day), 1), f"{day.day} {MONTHS[day.month - 1]}")
        day += timedelta(days=1)


def _use_y(hours: float) -> float:
    return round(USE_TOP + USE_HEIGHT * (1 - hours / MOST_HOURS), 1)


def _leak_y(leak: float, most: float) -> float:
    return round(LEAK_TOP + LEAK_HEIGHT * (1 - leak / most), 1)


def _round_up(leak: float) -> float:
    """The end of the leak axis: the next full 20 L/min, at least 20."""
    return max(20.0, -(-leak // 20) * 20)
