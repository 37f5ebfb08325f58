"""The number of an item as a person types or scans it into the catalogue: a GTIN, or an HIBC primary code.

A GTIN has 8, 12, 13 or 14 digits; the shorter ones are the same number without leading zeros, so all are kept
with 14. Blanks and hyphens between digits are left out. A whole scan (`gs1`) gives the GTIN it holds. All
zeros pass the check digit and are refused: a placeholder.

Of an HIBC primary code the catalogue keeps labeler and product: the digit before the check character says how
many are packed together, and the check character includes it.

Edge case: a code without its check character cannot be checked and is refused.

>>> read_gtin("6291041500213", year=2026).number
'06291041500213'
>>> read_gtin("6291041500214", year=2026)
Typed(number='', fault=<Bad.CHECK_DIGIT: 'check_digit'>, expected=3)
>>> read_hibc("+A123BJC5D6E71G").number
'A123BJC5D6E7'

Sources: gs1.org for the check digit; ANSI/HIBC 2.4 for HIBC. That the shorter forms are padded with zeros is
from memory (GS1 General Specifications).
"""

import re
from dataclasses import dataclass

from resupply.rules.gs1 import Bad, Problem, check_digit, hibc_check, parse

_LENGTHS = (8, 12, 13, 14)
_PRIMARY = re.compile(r"\+[A-Z][A-Z0-9]{3}[A-Z0-9]{1,13}[0-9].")


@dataclass(frozen=True, slots=True)
class Typed:
    """The number as the catalogue keeps it, or why it cannot be kept; `expected` is the check digit or
    character that would fit the rest.
    """

    number: str = ""
    fault: Bad | None = None
    expected: int | str | None = None


def read_gtin(text: str, *, year: int) -> Typed:
    """A GTIN typed, or out of a scan read around `year`. Any text has an answer."""
    digits = re.sub(r"[\s-]", "", text)
    if not digits:
        return Typed(fault=Bad.EMPTY)
    if not re.fullmatch("[0-9]{1,14}", digits):
        return _scanned(text, year)
    if len(digits) not in _LENGTHS:
        return Typed(fault=Bad.LENGTH)
    expected = check_digit(digits[:-1])
    if expected != int(digits[-1]):
        return Typed(fault=Bad.CHECK_DIGIT, expected=expected)
    return Typed(digits.zfill(14)) if digits.strip("0") else Typed(fault=Bad.PLACEHOLDER)


def read_hibc(text: str) -> Typed:
    """An HIBC primary code typed or scanned, with its `+` and check character. Any text has an answer."""
    code = text.strip("\r\n\t").lstrip(" ").upper()
    scan = parse(code, year=2000)  # holds no date
    if not isinstance(scan, Problem):
        return Typed(hibc_item(scan.hibc)) if scan.hibc else Typed(fault=Bad.UNREADABLE)
    if scan.reason is Bad.CHECK_DIGIT and _PRIMARY.fullmatch(code):
        return Typed(fault=scan.reason, expected=hibc_check(code[:-1]))
    return Typed(fault=Bad.EMPTY if not code.strip() else Bad.UNREADABLE)


def hibc_item(code: str) -> str:
    """Labeler and product of a whole primary code, as the catalogue keeps them.

    >>> hibc_item("+A123BJC5D6E71G")
    'A123BJC5D6E7'
    """
    return code[1:-2]


def _scanned(text: str, year: int) -> Typed:
    """The GTIN of a whole scan."""
    scan = parse(text, year=year)
    if isinstance(scan, Problem):
        return Typed(fault=scan.reason)
    return Typed(scan.gtin) if scan.gtin else Typed(fault=Bad.UNREADABLE)
