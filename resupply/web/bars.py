"""Shares for bars drawn in a table: totals stay numbers, and the bar beside each is a picture of them."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Total:
    """One row: its label, its count, where that leads, and its mark (alarm, attention or none)."""

    label: str
    value: int
    url: str = ""
    mark: str = ""
    share: float = 0.0
    """Percent of the largest row."""

    @property
    def width(self) -> str:
        """SVG attribute of the bar's width."""
        return f"{self.share:.1f}%"


def with_share(rows: Sequence[Total]) -> list[Total]:
    """The same rows, each with its share of the largest; all 0 where every row is 0."""
    most = max((row.value for row in rows), default=0)
    return [
        Total(row.label, row.value, row.url, row.mark, row.value / most * 100 if most else 0.0)
        for row in rows
    ]
