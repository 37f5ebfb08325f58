"""The blocks a packet's paper is built of: sections, facts, tables."""

from collections.abc import Iterable, Sequence
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table

from resupply.delivery.pdf import CELLS, RULE, WIDTH, text

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


def grid(heads: Sequence[str], rows: Iterable[Sequence[object]], shares: Sequence[float]) -> Table:
    """A table whose heads are repeated on every page; a cell is words, or blocks of its own."""
    body: list[list[object]] = [[text(head, "small") for head in heads]]
    body += [[_cell(cell) for cell in row] for row in rows]
    style: list[Any] = [
        *CELLS,
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LINEABOVE", (0, 0), (-1, 0), 0.4, RULE),
    ]
    return Table(body, colWidths=[WIDTH * share for share in shares], repeatRows=1, style=style)


def _cell(cell: object) -> object:
    return cell if isinstance(cell, list | Paragraph) else text(str(cell), "small")
