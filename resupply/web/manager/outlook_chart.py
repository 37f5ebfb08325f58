"""Demand by week as a picture: a column on time, a line at the clinic's own pace with its range.

Geometry only; the finding stands above, the numbers in the table beside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from resupply.queries.outlook import Week
from resupply.web.wording import MONTHS

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 720, 230, 52, 14, 26
_STEPS = (1, 2, 4, 5, 10, 20, 40, 50, 100, 200, 400, 500, 1000, 2000, 4000, 5000, 10000, 20000, 50000)


@dataclass(frozen=True, slots=True)
class WeekDrawn:
    """The column of a week, and the words under it (empty: none)."""

    x: float
    width: float
    y: float
    height: float
    label_x: float
    label: str


@dataclass(frozen=True, slots=True)
class OutlookChart:
    """Everything the template draws; `pace` and `band` are points of a line and of an area."""

    weeks: list[WeekDrawn]
    rules: list[tuple[float, str]]
    pace: str
    band: str
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT


def outlook_chart(weeks: Sequence[Week]) -> OutlookChart:
    """The picture of some weeks, from 0 up to the largest number."""
    most = max([1.0, *(max(week.on_time, week.high, week.expected) for week in weeks)])
    top = next((step for step in _STEPS if step >= most), int(most) + 1)
    room = (WIDTH - LEFT - 6) / len(weeks)

    def y(value: float) -> float:
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (1 - value / top), 1)

    def x(place: int) -> float:
        return round(LEFT + room * (place + 0.5), 1)

    drawn = [
        WeekDrawn(
            x=round(LEFT + room * (place + 0.15), 1),
            width=round(room * 0.7, 1),
            y=y(week.on_time),
            height=round(y(0) - y(week.on_time), 1),
            label_x=x(place),
            label=f"{week.begins_on.day} {MONTHS[week.begins_on.month - 1]}" if place % 4 == 0 else "",
        )
        for place, week in enumerate(weeks)
    ]
    upper = [f"{x(place)},{y(week.high)}" for place, week in enumerate(weeks)]
    lower = [f"{x(place)},{y(week.low)}" for place, week in enumerate(weeks)]
    return OutlookChart(
        drawn,
        [(y(top * part), f"{top * part:g}") for part in (0, 0.5, 1)],
        " ".join(f"{x(place)},{y(week.expected)}" for place, week in enumerate(weeks)),
        " ".join([*upper, *reversed(lower)]),
    )
