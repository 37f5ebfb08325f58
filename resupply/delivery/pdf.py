"""What every paper shares: fonts, sizes of text, the page, and that the same words give the same bytes.

Names print in Latin, Greek and Cyrillic letters (fonts/LICENSE.txt). No time of printing is in a document,
and no patient data in its title.
"""

from collections.abc import Iterable, Sequence
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Table

PLAIN, BOLD = "PaperSans", "PaperSans-Bold"
INK, RULE = HexColor(0x1D2830), HexColor(0x8A949B)
MARGIN = 18 * mm
SIDE = MARGIN + 6  # the frame of a page pads by 6 points
WIDTH = LETTER[0] - 2 * SIDE
CELLS: list[Any] = [
    ("FONTNAME", (0, 0), (-1, -1), PLAIN),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
]
_PAGE = {"en": "Page", "es": "Página"}
_FONTS = Path(__file__).parent / "fonts"
_SIZES = {
    "plain": (PLAIN, 9.5),
    "strong": (BOLD, 9.5),
    "small": (PLAIN, 8),
    "title": (BOLD, 15),
    "head": (BOLD, 11),
}


def paper(
    story: Sequence[Flowable], *, title: str, subject: str, author: str, language: str, foot: str
) -> bytes:
    """A document (US letter) with a foot line and the page number on each page; same story, same bytes.

    `language` is `en-US` or `es-US`.
    """
    fonts()
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=LETTER,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN + 6 * mm,
        title=title,
        author=author,
        subject=subject,
        creator=author,
        producer="",
        lang=language,
        displayDocTitle=True,
        invariant=1,
        initialFontName=PLAIN,
    )

    page = _PAGE[language[:2]]

    def draw_foot(canvas: Canvas, _: Any) -> None:
        canvas.setFont(PLAIN, 8)
        canvas.setFillColor(INK)
        canvas.drawString(SIDE, MARGIN, foot)
        canvas.drawRightString(LETTER[0] - SIDE, MARGIN, f"{page} {canvas.getPageNumber()}")

    document.build(list(story), onFirstPage=draw_foot, onLaterPages=draw_foot)
    return out.getvalue()


def text(words: str, style: str = "plain") -> Paragraph:
    """A paragraph (`plain`, `strong`, `small`, `title`, `head`); what was typed is text, never markup."""
    fonts()
    return Paragraph(escape(words), _styles()[style])


def point(words: str, mark: str) -> Paragraph:
    """A line of a list: its mark (`•`, `1.`) before it, further lines under its first word."""
    fonts()
    return Paragraph(escape(words), _styles()["point"], bulletText=mark)


def columns(left: Sequence[Flowable], right: Sequence[Flowable], *, share: float = 0.55) -> Flowable:
    """Two columns side by side, the left with this share of the width."""
    style = [*CELLS, ("RIGHTPADDING", (0, 0), (0, -1), 16), ("RIGHTPADDING", (1, 0), (1, -1), 0)]
    return Table([[list(left), list(right)]], colWidths=[WIDTH * share, WIDTH * (1 - share)], style=style)


def letterhead(clinic_name: str, place: Sequence[str], right: Sequence[Flowable]) -> Flowable:
    """The top of a paper: whose it is, with the lines of the place that say something; on the right what it
    is.
    """
    left = [text(clinic_name, "strong"), *(text(line) for line in place if line.strip())]
    return columns(left, right)


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


@cache
def fonts() -> None:
    """Make the two fonts known, once a process."""
    pdfmetrics.registerFont(TTFont(PLAIN, _FONTS / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont(BOLD, _FONTS / "DejaVuSans-Bold.ttf"))


@cache
def _styles() -> dict[str, ParagraphStyle]:
    found = {
        name: ParagraphStyle(name, fontName=font, fontSize=size, leading=size * 1.3, textColor=INK)
        for name, (font, size) in _SIZES.items()
    }
    found["point"] = ParagraphStyle(
        "point", found["plain"], leftIndent=13, bulletFontName=PLAIN, bulletFontSize=9.5, spaceAfter=1
    )
    return found
