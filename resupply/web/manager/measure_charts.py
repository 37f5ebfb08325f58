"""A year of a measure as a picture: a column a month, and where there are two values, a mark above it.

Geometry only; the finding stands above, the numbers in the table beside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from resupply.web.wording import MONTHS

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 720, 190, 52, 14, 24
_STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 2000, 5000, 10000)


@dataclass(frozen=True, slots=True)
class Column:
    """One month: the column of its value (None: there is none), the height of its second value, its name."""

    x: float
    width: float
    y: float | None
    height: float
    mark_y: float | None
    label_x: float
    label: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A line across with its words."""

    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Chart:
    """Everything the template draws."""

    columns: list[Column]
    rules: list[Rule]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT


def chart(
    months: Sequence[date], values: Sequence[float | None], marks: Sequence[float | None], *, unit: str
) -> Chart:
    """Columns from 0 up to the largest value; a share never beyond 100 %."""
    most = max((value for value in (*values, *marks) if value is not None), default=0.0)
    top = _round_up(most)
    if unit == "%":
        top = min(top, 100)
    room = (WIDTH - LEFT - 6) / len(months)

    def y(value: float) -> float:
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (1 - value / top), 1)

    columns = [
        Column(
            x=round(LEFT + room * place + room * 0.18, 1),
            width=round(room * 0.64, 1),
            y=None if value is None else y(value),
            height=0 if value is None else round(y(0) - y(value), 1),
            mark_y=None if mark is None else y(mark),
            label_x=round(LEFT + room * (place + 0.5), 1),
            label=MONTHS[month.month - 1],
        )
        for place, (month, value, mark) in enumerate(zip(months, values, marks, strict=True))
    ]
    rules = [Rule(y(top * part), f"{top * part:g}{' %' if unit == '%' else ''}") for part in (0, 0.5, 1)]
    return Chart(columns, rules)


def _round_up(most: float) -> int:
    """The next round number, so that the scale reads well."""
    return next((step for step in _STEPS if step >= most), int(most) + 1)
