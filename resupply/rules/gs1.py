"""What the label on a part says: GS1 element strings, and the primary code of HIBC.

A scanner types what the symbol holds. In a GS1 symbol that is a row of elements, each an application
identifier (01 item number, 10 lot, 11 production date, 17 expiry, 21 serial) and its value. A value of fixed
length needs no end; one of any length (lot, serial) ends at a group separator (ASCII 29) or with the string.
The same elements are printed for people with each identifier in parentheses. A scanner may put the symbol's
kind before all that (`]d2`, `]C1`). Twelve, thirteen or fourteen digits alone are a bare item number (GTIN).

Dates are YYMMDD. Day 00 means the last day of its month: it stands on old stock and is read, never written
(not allowed on new healthcare labels since 2025). The century is the one that puts the year at most 49 years
back or 50 ahead of the year passed in. All zeros pass the check digit and are refused: a placeholder.

Edge cases: elements unknown here are skipped up to the next separator, with a warning. A scanner that drops
the separator makes a lot swallow what follows: where a lot at the very end could hold another element, a
warning says so; a lot of more than 20 characters is a problem. The same element twice is a problem unless
both agree. HIBC: `+`, four characters of labeler, 1 to 13 of product, one digit of unit, one check character.

>>> scan = parse("(01)51022222233336(17)150700(10)A213B1", year=2014)
>>> scan.gtin, scan.expires_on, scan.lot
('51022222233336', datetime.date(2015, 7, 31), 'A213B1')
>>> render(scan)
'(01)51022222233336(17)150731(10)A213B1'
>>> parse("(01)51022222233337", year=2014).reason
<Bad.CHECK_DIGIT: 'check_digit'>

Sources: FDA, "UDI formats by FDA-Accredited Issuing Agency" (2017) for the elements; gs1.org for the check
digit; GS1 General Specifications, as quoted on public pages, for dates and century; ANSI/HIBC 2.4 for HIBC.
Which elements have a length known beforehand says a table of the GS1 General Specifications ("element strings
with predefined length", by their first two digits); it, the separators after 17 and 21 and the character set
are from memory.
"""

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

SEPARATOR = "\x1d"
"""The group separator, ASCII 29. Beware: `str.strip()` takes it for a blank."""

LONGEST = 400
"""Characters of a scan; no symbol on a part holds more."""

_MOST = 20  # characters of a lot or serial
_FIXED = {
    **dict(zip(("00", "01", "02", "03", "04", "20", "41"), (18, 14, 14, 14, 16, 2, 14), strict=True)),
    **dict.fromkeys(("11", "12", "13", "14", "15", "16", "17", "18", "19"), 6),
    **dict.fromkeys(("31", "32", "33", "34", "35", "36"), 8),
}
"""Characters after the first two digits: of 31 to 36 two more of the identifier and six, of 41 one and 13."""
_READ = ("01", "11", "17", "10", "21")
_VALUE = re.compile(r"[!\"%&'()*+,\-./0-9:;<=>?A-Z_a-z]+")
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9]")
_BARE = re.compile(r"[0-9]{12,14}")
_PRINTED = re.compile(r"\(([0-9]{2,4})\)")
_HIBC = re.compile(r"\+[A-Z][A-Z0-9]{3}[A-Z0-9]{1,13}[0-9][A-Z0-9\-. $/+%]")
_MOD_43 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_IN_LOT = re.compile(r".+?(?:21.|1[17][0-9]{6})")
_IN_SERIAL = re.compile(r".+?(?:10.|1[17][0-9]{6})")


class Bad(StrEnum):
    """Why a scan cannot be used."""

    EMPTY = "empty"
    UNREADABLE = "unreadable"  # no element string and no HIBC code
    CHECK_DIGIT = "check_digit"  # misread or mistyped
    PLACEHOLDER = "placeholder"  # an item number of zeros
    DATE = "date"  # a day that no calendar has
    LENGTH = "length"  # a value shorter or longer than its element allows
    CHARACTER = "character"  # a character that the element cannot hold
    TWICE = "twice"  # one element with two values


class Warn(StrEnum):
    """What to look at before a scan is trusted."""

    SWALLOWED = "swallowed"  # the last value may hold the next element: the separator was dropped
    SKIPPED = "skipped"  # it holds elements that are not read here


@dataclass(frozen=True, slots=True)
class Scan:
    """What a label says; what it does not say is empty or None. `gtin` has 14 digits, `hibc` its `+`."""

    gtin: str = ""
    lot: str = ""
    expires_on: date | None = None
    produced_on: date | None = None
    serial: str = ""
    hibc: str = ""
    warnings: tuple[Warn, ...] = ()


@dataclass(frozen=True, slots=True)
class Problem:
    """Why nothing was read; `element` is the identifier at fault, where there is one."""

    reason: Bad
    element: str = ""


def parse(text: str, *, year: int) -> Scan | Problem:
    """Read a scan in the century around `year`. Any text has an answer."""
    if len(text) > LONGEST:
        return Problem(Bad.LENGTH)
    text = text.strip("\r\n\t").lstrip(" ")
    text = _SYMBOLOGY.sub("", text, count=1) if text.startswith("]") else text
    if text.startswith("+"):
        return _hibc(text)
    text = text.rstrip(" ").lstrip(" " + SEPARATOR)
    if not text:
        return Problem(Bad.EMPTY)
    if _BARE.fullmatch(text):
        return _scan({"01": text.zfill(14)}, (), year)
    found = _printed(text) if text.startswith("(") else _raw(text)
    return found if isinstance(found, Problem) else _scan(*found, year)


def render(scan: Scan) -> str:
    """The scan as printed for people; where a value holds a parenthesis, as an element string instead.

    `parse` gives the same scan back, without its warnings, for dates within its century.
    """
    if scan.hibc:
        return scan.hibc
    values = {
        "01": scan.gtin,
        "11": _yymmdd(scan.produced_on),
        "17": _yymmdd(scan.expires_on),
        "10": scan.lot,
        "21": scan.serial,
    }
    if "(" in scan.lot + scan.serial:
        ends = {"10": SEPARATOR, "21": SEPARATOR}
        return "".join(f"{key}{value}{ends.get(key, '')}" for key, value in values.items() if value)
    return "".join(f"({key}){value}" for key, value in values.items() if value)


def check_digit(payload: str) -> int:
    """The last digit of a GTIN from the digits before it: from the right times 3, 1, 3 ..., to a ten."""
    total = sum(int(digit) * (3, 1)[place % 2] for place, digit in enumerate(reversed(payload)))
    return -total % 10


def hibc_check(payload: str) -> str:
    """The check character of HIBC: the sum of the characters' places, modulo 43, the `+` included."""
    return _MOD_43[sum(_MOD_43.index(character) for character in payload) % 43]


Elements = tuple[dict[str, str], tuple[Warn, ...]]


def _hibc(text: str) -> Scan | Problem:
    """A primary code. Its check character may be a blank, so blanks behind it are tried both ways."""
    candidates = [code for code in (text, text.rstrip(" "), text.rstrip(" ") + " ") if _HIBC.fullmatch(code)]
    for code in candidates:
        if hibc_check(code[:-1]) == code[-1]:
            return Scan(hibc=code)
    return Problem(Bad.CHECK_DIGIT if candidates else Bad.UNREADABLE)


def _printed(text: str) -> Elements | Problem:
    """The elements of the form with parentheses."""
    parts = _PRINTED.split(text)
    if parts[0]:
        return Problem(Bad.UNREADABLE)
    found: dict[str, str] = {}
    warnings: tuple[Warn, ...] = ()
    for key, value in zip(parts[1::2], parts[2::2], strict=True):
        if key not in _READ:
            warnings = (Warn.SKIPPED,)
        elif found.setdefault(key, value.strip(" " + SEPARATOR)) != value.strip(" " + SEPARATOR):
            return Problem(Bad.TWICE, key)
    return found, warnings


def _raw(text: str) -> Elements | Problem:
    """The elements of a string with separators."""
    found: dict[str, str] = {}
    warnings: list[Warn] = []
    rest = text
    while rest:
        key, rest = rest[:2], rest[2:]
        if not re.fullmatch("[0-9]{2}", key):
            return Problem(Bad.UNREADABLE)
        if key in _FIXED:
            value, rest = rest[: _FIXED[key]], rest[_FIXED[key] :].removeprefix(SEPARATOR)
        else:
            value, ended, rest = rest.partition(SEPARATOR)
            if not ended and _may_hold_more(key, value, found):
                warnings.append(Warn.SWALLOWED)
        if key not in _READ:
            warnings = [*warnings, Warn.SKIPPED] if Warn.SKIPPED not in warnings else warnings
        elif found.setdefault(key, value) != value:
            return Problem(Bad.TWICE, key)
    return found, tuple(warnings)


def _may_hold_more(key: str, value: str, found: dict[str, str]) -> bool:
    """Whether the last value, which no separator ends, could hold an element that was not read."""
    if key == "10":
        return _IN_LOT.match(value) is not None
    return key == "21" and "10" not in found and _IN_SERIAL.match(value) is not None


def _scan(found: dict[str, str], warnings: tuple[Warn, ...], year: int) -> Scan | Problem:
    """The verdict on the elements found."""
    gtin = found.get("01")
    if gtin is not None and (problem := _gtin_problem(gtin)):
        return problem
    days: dict[str, date | None] = {}
    for key in ("11", "17"):
        days[key] = _day(found[key], year) if key in found else None
        if key in found and days[key] is None:
            return Problem(Bad.DATE, key)
    for key in ("10", "21"):
        value = found.get(key)
        if value is not None and not 1 <= len(value) <= _MOST:
            return Problem(Bad.LENGTH, key)
        if value is not None and not _VALUE.fullmatch(value):
            return Problem(Bad.CHARACTER, key)
    return Scan(
        gtin=gtin or "",
        lot=found.get("10", ""),
        expires_on=days["17"],
        produced_on=days["11"],
        serial=found.get("21", ""),
        warnings=warnings,
    )


def _gtin_problem(gtin: str) -> Problem | None:
    """What is wrong with an item number."""
    if len(gtin) != 14:
        return Problem(Bad.LENGTH, "01")
    if not re.fullmatch("[0-9]{14}", gtin):
        return Problem(Bad.CHARACTER, "01")
    if check_digit(gtin[:-1]) != int(gtin[-1]):
        return Problem(Bad.CHECK_DIGIT, "01")
    return Problem(Bad.PLACEHOLDER, "01") if not gtin.strip("0") else None


def _day(written: str, year: int) -> date | None:
    """The day that YYMMDD names; None where there is none."""
    if not re.fullmatch("[0-9]{6}", written):
        return None
    yy, month, day = int(written[:2]), int(written[2:4]), int(written[4:])
    ahead = (yy - year) % 100
    full = year + ahead if ahead <= 50 else year + ahead - 100
    if not (1 <= month <= 12 and date.min.year <= full <= date.max.year):
        return None
    last = monthrange(full, month)[1]
    return date(full, month, day or last) if day <= last else None


def _yymmdd(day: date | None) -> str:
    return f"{day.year % 100:02}{day.month:02}{day.day:02}" if day else ""
