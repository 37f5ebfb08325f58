"""The supply strip on paper: a line of a kind against time, before the dispense and with it.

Drawn from the dates of the packet's document alone; the same facts stand in the table under it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from reportlab.graphics.shapes import Drawing, Line, Polygon, PolyLine, Rect, String
from reportlab.lib.colors import white

from resupply.delivery.packets.words import Doc
from resupply.delivery.pdf import INK, PLAIN, RULE, WIDTH
from resupply.delivery.words import MONTHS

KEY = (
    "Solid: in use. Outlined: spares. Dotted: time to ask. Bracket: may be dispensed, to the end of supply. "
    "Triangle: coverage opens. Line through both: the date of service."
)
_LABEL, _ROW, _BAR, _AXIS = 62.0, 26.0, 9.0, 14.0
_MOST_MONTHS, _NAME = 8, 36.0
_BEFORE, _AFTER = timedelta(days=20), timedelta(days=20)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Days to points along the strip."""

    first: date
    last: date

    def x(self, day: date) -> float:
        share = (day - self.first).days / max((self.last - self.first).days, 1)
        return _LABEL + (WIDTH - _LABEL) * min(max(share, 0.0), 1.0)

    def months(self) -> list[date]:
        """The firsts of months in it; of many, so few that their names stand side by side."""
        found, month = [], date(self.first.year, self.first.month, 1)
        while month <= self.last:
            if month >= self.first:
                found.append(month)
            month = date(month.year + month.month // 12, month.month % 12 + 1, 1)
        return found[:: len(found) // _MOST_MONTHS + 1]


def strip(both: Doc, day: date) -> Drawing:
    """The two rows of a kind; a row without a line on record is empty."""
    rows = [("Before", _days(both["before"])), ("With it", _days(both["after"]))]
    known = [when for _, days in rows for when in days.values()] + [day]
    scale = _Scale(min(known) - _BEFORE, max(known) + _AFTER)
    height = _ROW * len(rows) + _AXIS
    drawing = Drawing(WIDTH, height)
    for month in scale.months():
        drawing.add(Line(scale.x(month), _AXIS, scale.x(month), height, strokeColor=RULE, strokeWidth=0.3))
        if scale.x(month) + _NAME <= WIDTH:
            drawing.add(_text(scale.x(month) + 2, 3, f"{MONTHS[month.month - 1]} {month.year}"))
    for place, (label, days) in enumerate(rows):
        base = height - _ROW * (place + 1) + 8
        drawing.add(_text(0, base + 1, label))
        for shape in _row(days, scale, base):
            drawing.add(shape)
    at = scale.x(day)
    drawing.add(Line(at, _AXIS, at, height, strokeColor=white, strokeWidth=3.2))  # seen on a solid bar too
    drawing.add(Line(at, _AXIS, at, height, strokeColor=INK, strokeWidth=1.2))
    return drawing


def _row(days: dict[str, date], scale: _Scale, base: float) -> Iterator[Any]:
    """The shapes of one line."""
    ends = days.get("supply_ends_on")
    if ends is None:
        return
    since, worn = days.get("in_use_since"), days.get("worn_on")
    if since and worn:
        yield _bar(scale.x(since), scale.x(worn), base, INK)
    if worn and worn < ends:
        yield _bar(scale.x(worn), scale.x(ends), base, white)
    ask, give = days.get("ask_from"), days.get("deliver_from")
    if ask and give and ask < give:
        yield Line(
            scale.x(ask), base + _BAR + 4, scale.x(give), base + _BAR + 4, strokeColor=INK,
            strokeDashArray=[1, 2], strokeWidth=1,
        )  # fmt: skip
    if give:
        left, right, top = scale.x(give), scale.x(max(ends, give)), base + _BAR
        corners = [left, top + 1, left, top + 4, right, top + 4, right, top + 1]
        yield PolyLine(corners, strokeColor=INK, strokeWidth=0.8)
    covered = days.get("covered_from")
    if covered:
        at = scale.x(covered)
        yield Polygon([at - 3, base - 5, at + 3, base - 5, at, base - 0.5], fillColor=INK, strokeColor=INK)


def _bar(left: float, right: float, base: float, fill: Any) -> Rect:
    rect = Rect(left, base, max(right - left, 1), _BAR)
    rect.fillColor, rect.strokeColor, rect.strokeWidth = fill, INK, 0.8
    return rect


def _text(x: float, y: float, words: str) -> String:
    return String(x, y, words, fontName=PLAIN, fontSize=7, fillColor=INK)


def _days(explained: Doc | None) -> dict[str, date]:
    """The dates of a line by their names."""
    if explained is None:
        return {}
    names = ("in_use_since", "worn_on", "supply_ends_on", "covered_from", "ask_from", "deliver_from")
    found = {name: explained["values"].get(name) for name in names}
    return {name: date.fromisoformat(value) for name, value in found.items() if value}
