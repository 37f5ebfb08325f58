"""The supply strip: one line of a patient against time, as rectangles and marks. Pure geometry, no clock.

Horizontal places are percents of the strip's width, so one drawing serves every screen and its text and
strokes keep their size; heights are fixed by the template. Days count from the start of the window: day `d`
begins at `(d - start) / (end - start)`, and the window is half-open, `[start, end)`. Every row of a chart
shares that axis, the month ticks and today's line.

>>> chart = layout([], today=date(2026, 3, 18), start=date(2026, 3, 1), end=date(2026, 4, 1))
>>> chart.today_at
'54.84%'
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from resupply.web.wording import MONTHS

Look = Literal["past", "in_use", "worn", "spare"]

_AIR = 0.16
"""Percent left free on each side of a bar, so that neighbours read as two units (1 px of 620)."""
_LEAST = 0.4
"""Percent of width below which a bar could not be seen."""


@dataclass(frozen=True, slots=True)
class StripUnit:
    """One unit, in use or to be used in `[start, end)`."""

    start: date
    end: date
    look: Look


@dataclass(frozen=True, slots=True)
class Step:
    """One step of an explanation: what was looked at or worked out, its value, where it comes from."""

    text: str
    value: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class StripLine:
    """One line as shown; `state` is a value of the rules' State; `pauses` half-open, end None: open."""

    kind_label: str
    part_label: str
    units: tuple[StripUnit, ...] = ()
    ask_from: date | None = None
    deliver_from: date | None = None
    supply_ends_on: date | None = None
    covered_from: date | None = None
    pauses: tuple[tuple[date, date | None], ...] = ()
    state: str = "in_supply"
    days_overdue: int | None = None
    waiting: bool = False
    spares: int = 0
    worn_on: date | None = None
    sentence: str = ""
    note: str = ""
    steps: tuple[Step, ...] = ()
    why_url: str = ""
    url: str = ""

    @property
    def refill_on(self) -> date | None:
        """The later of supply end and coverage opening: where the windows to ask and to dispense end."""
        if self.supply_ends_on is None or self.covered_from is None:
            return self.supply_ends_on
        return max(self.supply_ends_on, self.covered_from)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the axis in percent; an open side runs on past the window."""

    x: float
    width: float
    open_left: bool = False
    open_right: bool = False

    @property
    def left(self) -> str:
        """SVG attribute of the left end."""
        return f"{self.x:.2f}%"

    @property
    def right(self) -> str:
        """SVG attribute of the right end."""
        return f"{self.x + self.width:.2f}%"

    @property
    def size(self) -> str:
        """SVG attribute of the width."""
        return f"{self.width:.2f}%"


@dataclass(frozen=True, slots=True)
class Bar:
    """A unit, or the part of it between two pauses."""

    span: Span
    look: Look
    later: bool = False
    """A spare that waits behind another one."""

    @property
    def css(self) -> str:
        """Class of the rectangle."""
        return f"unit-{self.look.replace('_', '-')}"


@dataclass(frozen=True, slots=True)
class Tick:
    """The first of a month; `show` says on which widths its label has room."""

    x: float
    label: str
    show: Literal["always", "wide", "never"]

    @property
    def at(self) -> str:
        """SVG attribute of the place."""
        return f"{self.x:.2f}%"


@dataclass(frozen=True, slots=True)
class StripRow:
    """One line, drawn."""

    line: StripLine
    bars: tuple[Bar, ...]
    gaps: tuple[Span, ...]
    ask: Span | None
    bracket: Span | None
    covered_at: str | None


@dataclass(frozen=True, slots=True)
class StripChart:
    """Rows over one axis."""

    rows: tuple[StripRow, ...]
    ticks: tuple[Tick, ...]
    today: date
    today_x: float | None
    start: date
    end: date

    @property
    def today_at(self) -> str | None:
        """SVG attribute of today's line; None where today lies outside the window."""
        return None if self.today_x is None else f"{self.today_x:.2f}%"

    @property
    def today_turns(self) -> bool:
        """Today stands so far right that its label belongs on the left of the line."""
        return self.today_x is not None and self.today_x > 90


def default_window(today: date, *, simple: bool = False) -> tuple[date, date]:
    """The usual window: a quarter back, a third of a year ahead; a patient's page looks back a month."""
    return today - timedelta(days=31 if simple else 93), today + timedelta(days=119)


def layout(lines: Sequence[StripLine], *, today: date, start: date, end: date) -> StripChart:
    """Draw lines over `[start, end)`; raises ValueError where the window is empty."""
    if start >= end:
        raise ValueError("a strip needs a window of at least one day")
    axis = _Axis(start, end)
    today_x = axis.at(today) if start <= today < end else None
    rows = tuple(_row(line, axis, today) for line in lines)
    return StripChart(rows, _ticks(axis, today_x), today, today_x, start, end)


@dataclass(frozen=True, slots=True)
class _Axis:
    start: date
    end: date

    def at(self, day: date) -> float:
        return (day - self.start).days / (self.end - self.start).days * 100

    def span(self, first: date, until: date) -> Span | None:
        """The part of `[first, until)` that lies in the window; None where there is none."""
        left, right = max(first, self.start), min(until, self.end)
        if left >= right:
            return None
        x = self.at(left)
        return Span(x, self.at(right) - x, first < self.start, until > self.end)


def _row(line: StripLine, axis: _Axis, today: date) -> StripRow:
    pauses = tuple(
        (first, until or max(first, today)) for first, until in sorted(line.pauses, key=lambda p: p[0])
    )
    next_spare = min((unit.start for unit in line.units if unit.look == "spare"), default=None)
    bars = []
    for unit in line.units:
        later = unit.look == "spare" and unit.start != next_spare
        for first, until in _without(unit.start, unit.end, pauses):
            span = axis.span(first, until)
            if span:
                bars.append(Bar(_with_air(span), unit.look, later))
    gaps = tuple(span for first, until in pauses if (span := axis.span(first, until)))
    ends = line.refill_on
    ask = axis.span(line.ask_from, ends) if line.ask_from and ends else None
    bracket = axis.span(line.deliver_from, ends) if line.deliver_from and ends else None
    return StripRow(line, tuple(bars), gaps, ask, bracket, _covered_at(line, axis, today))


def _covered_at(line: StripLine, axis: _Axis, today: date) -> str | None:
    """Coverage is marked where it still has to open; once open, it stops nothing."""
    day = line.covered_from
    if day is None or day <= today or not axis.start <= day < axis.end:
        return None
    return f"{axis.at(day):.2f}%"


def _without(start: date, end: date, pauses: Sequence[tuple[date, date]]) -> list[tuple[date, date]]:
    """`[start, end)` with the pauses (in order of their start) cut out."""
    pieces = []
    for first, until in pauses:
        if until <= start or first >= end:
            continue
        if start < first:
            pieces.append((start, first))
        start = max(start, until)
    if start < end:
        pieces.append((start, end))
    return pieces


def _with_air(span: Span) -> Span:
    left = 0 if span.open_left else _AIR
    right = 0 if span.open_right else _AIR
    width = span.width - left - right
    if width < _LEAST:
        width = min(_LEAST, span.width)
        left = (span.width - width) / 2
    return Span(span.x + left, width, span.open_left, span.open_right)


def _ticks(axis: _Axis, today_x: float | None) -> tuple[Tick, ...]:
    """A tick at every first of a month; labels keep clear of each other, of today and of the edge."""
    ticks: list[Tick] = []
    last_wide = last_narrow = -100.0
    day = _next_month(axis.start)
    while day < axis.end:
        x = axis.at(day)
        show: Literal["always", "wide", "never"] = "never"
        if x <= 97 and x - last_wide >= 6 and _clear(x, today_x, 5.5, 6.5):
            show, last_wide = "wide", x
            if x <= 90 and x - last_narrow >= 12 and _clear(x, today_x, 11, 14):
                show, last_narrow = "always", x
        ticks.append(Tick(x, _tick_label(day, first=not ticks), show))
        day = _next_month(day)
    return tuple(ticks)


def _clear(x: float, today_x: float | None, before: float, after: float) -> bool:
    return today_x is None or not today_x - before < x < today_x + after


def _tick_label(day: date, *, first: bool) -> str:
    return f"{MONTHS[day.month - 1]} {day.year}" if day.month == 1 and not first else MONTHS[day.month - 1]


def _next_month(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)
