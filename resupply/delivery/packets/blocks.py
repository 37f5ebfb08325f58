"""The blocks a packet's paper is built of: sections and facts."""

from collections.abc import Iterable, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from resupply.delivery.pdf import CELLS, WIDTH, text

NONE = "none on record"


def section(title: str, blocks: Sequence[Flowable]) -> list[Flowable]:
    """A heading that stays with its first block."""
    first = blocks[:1]
    return [Spacer(1, 4 * mm), KeepTogether([text(title, "head"), Spacer(1, 1.5 * mm), *first]), *blocks[1:]]


def facts(rows: Iterable[tuple[str, str]]) -> Table:
    """Labels and what they say; an empty value is none on record."""
    body = [[text(label, "small"), text(value or NONE)] for label, value in rows]
    style = [*CELLS, ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1)]
    return Table(body, colWidths=[WIDTH * 0.24, WIDTH * 0.76], style=style)
