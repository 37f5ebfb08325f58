"""What labels say, against the worked examples of those who write the standards."""

import doctest
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import gs1
from resupply.rules.gs1 import LONGEST, Bad, Problem, Scan, Warn, check_digit, hibc_check, parse, render

FDA = "51022222233336"
"""GTIN of the example in FDA, "UDI formats by FDA-Accredited Issuing Agency", v1.3, 2017-01-27."""

LABEL = Scan(FDA, "A213B1", date(2015, 7, 7), date(2014, 12, 31), "1234")
RAW = f"01{FDA}1114123117150707"


def test_the_examples_of_the_docstring() -> None:
    assert doctest.testmod(gs1).failed == 0


# Digits before the last -> the last, and who published the example.
CHECK_DIGITS = [
    ("629104150021", 3, "gs1.org, check digit calculator: worked example"),
    ("730001100001", 7, "GS1 Sweden"),
    ("890400021003", 7, "GS1 India"),
    ("501234567421", 6, "GS1 UK"),
    ("501234567890", 0, "GS1 UK: a sum that is a ten already"),
    ("5102222223333", 6, "FDA, UDI formats, 2017"),
]


@pytest.mark.parametrize(("payload", "digit", "source"), CHECK_DIGITS, ids=[row[2] for row in CHECK_DIGITS])
def test_the_check_digit(payload: str, digit: int, source: str) -> None:
    assert check_digit(payload) == digit
    whole = f"{payload}{digit}".zfill(14)
    assert parse(f"01{whole}", year=2026) == Scan(gtin=whole)
    wrong = f"{payload}{(digit + 1) % 10}".zfill(14)
    assert parse(f"01{wrong}", year=2026) == Problem(Bad.CHECK_DIGIT, "01")


# Text, what it says, and why; the first is FDA's example, the others derived from it (ours).
FORMS = [
    (f"(01){FDA}(11)141231(17)150707(10)A213B1(21)1234", "FDA's example, as printed"),
    (f"{RAW}10A213B1\x1d211234", "as a scanner sends it"),
    (f"]d2{RAW}10A213B1\x1d211234", "with the prefix of a two-dimensional symbol"),
    (f"]C1{RAW}10A213B1\x1d211234\r\n", "with the prefix of a linear symbol, and the scanner's Enter"),
    (f"\x1d{RAW}10A213B1\x1d211234", "with the leading function character sent as a separator"),
    (f"{RAW}211234\x1d10A213B1\x1d", "serial first, a separator at the end"),
    (f"01{FDA}\x1d11141231\x1d17150707\x1d10A213B1\x1d211234", "separators where none is needed"),
    (f" (01){FDA} (11)141231 (17)150707 (10)A213B1 (21)1234 ", "typed with blanks"),
    (f"  {RAW}10A213B1\x1d211234  ", "a blank before and after, as some scanners add"),
]


@pytest.mark.parametrize(("text", "why"), FORMS, ids=[form[1] for form in FORMS])
def test_one_label_in_many_forms(text: str, why: str) -> None:
    assert parse(text, year=2014) == LABEL


# After the number of FDA's example -> the warning, and why. All ours.
WARNINGS = [
    ("10A213B1211234", "A213B1211234", (Warn.SWALLOWED,), "a lot that swallowed the serial"),
    ("10AB17150707", "AB17150707", (Warn.SWALLOWED,), "a lot that swallowed the expiry"),
    ("10A213B1\x1d", "A213B1", (), "a separator ends it: nothing can follow"),
    ("10AB34", "AB34", (), "a lot at the end that holds nothing else"),
    ("24077\x1d10AB", "AB", (Warn.SKIPPED,), "an element that is not read here"),
    ("21AB10CD", "", (Warn.SWALLOWED,), "a serial that swallowed the lot"),
    ("10AB\x1d21AB10CD", "AB", (), "the lot was read: the serial is what it is"),
    ("24077\x1d91X\x1d10AB\x1d", "AB", (Warn.SKIPPED,), "two of them: said once"),
]


@pytest.mark.parametrize(("text", "lot", "warnings", "why"), WARNINGS, ids=[row[3] for row in WARNINGS])
def test_what_to_look_at(text: str, lot: str, warnings: tuple[Warn, ...], why: str) -> None:
    scan = parse(f"01{FDA}{text}", year=2026)
    assert isinstance(scan, Scan)
    assert (scan.lot, scan.warnings) == (lot, warnings)


PREDEFINED = {
    first: int(length)
    for row in (
        "00:20 01:16 02:16 03:16 04:18 11:8 12:8 13:8 14:8 15:8 16:8 17:8 18:8 19:8 20:4",
        "31:10 32:10 33:10 34:10 35:10 36:10 41:16",
    )
    for first, _, length in (pair.partition(":") for pair in row.split())
}
"""GS1 General Specifications, "element strings with predefined length": the first two digits of an identifier
and the length of the whole string, the identifier included. From memory."""


@pytest.mark.parametrize("first", [f"{number:02}" for number in range(100)])
def test_only_elements_of_predefined_length_need_no_separator(first: str) -> None:
    if first in ("01", "10", "11", "17", "21"):
        return  # read here: the tests around this one are about them
    if (length := PREDEFINED.get(first)) is not None:
        element = first.ljust(length, "0")
        for end in ("", "\x1d"):
            assert parse(f"01{FDA}{element}{end}10AB", year=2026) == Scan(FDA, "AB", warnings=(Warn.SKIPPED,))
        return
    for end, lot in (("", ""), ("\x1d", "AB")):
        assert parse(f"01{FDA}{first}077{end}10AB", year=2026) == Scan(FDA, lot, warnings=(Warn.SKIPPED,))


def test_a_scanner_that_drops_the_separator() -> None:
    """FDA's example without its separator: no serial, and a lot that says to be looked at (derived, ours)."""
    scan = parse(f"{RAW}10A213B1211234", year=2014)
    swallowed = replace(LABEL, lot="A213B1211234", serial="", warnings=(Warn.SWALLOWED,))
    assert scan == swallowed


def test_an_element_not_read_here_is_skipped_as_printed_too() -> None:
    assert parse(f"(01){FDA}(240)77(10)AB", year=2026) == Scan(FDA, "AB", warnings=(Warn.SKIPPED,))


def test_the_longest_scan_is_read() -> None:
    """No symbol holds more (ours); what is longer is a problem, see below."""
    text = f"01{FDA}91".ljust(LONGEST, "X")
    assert parse(text, year=2026) == Scan(FDA, warnings=(Warn.SKIPPED,))


# YYMMDD, the year it is read in, the day, and who says so.
DAYS = [
    ("130200", 2014, date(2013, 2, 28), "GS1 General Specifications, as quoted: last day of the month"),
    ("160200", 2014, date(2016, 2, 29), "GS1 General Specifications, as quoted: leap-aware"),
    ("150700", 2014, date(2015, 7, 31), "derived: last day of July"),
    ("750101", 2025, date(2075, 1, 1), "derived from 49 back, 50 ahead"),
    ("760101", 2025, date(1976, 1, 1), "derived from 49 back, 50 ahead"),
    ("990101", 2025, date(1999, 1, 1), "derived from 49 back, 50 ahead"),
    ("000101", 2099, date(2100, 1, 1), "derived: ahead into the next century"),
    ("250230", 2025, None, "derived: no such day"),
    ("251301", 2025, None, "derived: no such month"),
    ("250001", 2025, None, "derived: month zero"),
    ("25o101", 2025, None, "derived: a letter"),
]


@pytest.mark.parametrize(("written", "year", "day", "why"), DAYS, ids=[f"{row[0]} {row[3]}" for row in DAYS])
def test_days(written: str, year: int, day: date | None, why: str) -> None:
    found = parse(f"01{FDA}17{written}", year=year)
    assert found == (Scan(gtin=FDA, expires_on=day) if day else Problem(Bad.DATE, "17"))


# What cannot be used, why, and the element at fault. All ours, but for the HIBC form (ANSI/HIBC 2.4-2013).
PROBLEMS = [
    ("(01)51022222233337", Bad.CHECK_DIGIT, "01", "one digit off"),
    ("(01)00000000000000", Bad.PLACEHOLDER, "01", "zeros pass the check digit"),
    ("00000000000000", Bad.PLACEHOLDER, "01", "zeros, bare"),
    ("(01)5102222223333", Bad.LENGTH, "01", "thirteen digits after the identifier"),
    ("01510222222333", Bad.CHECK_DIGIT, "01", "cut short, it reads as a bare number that does not check"),
    ("(01)5102222223333X", Bad.CHARACTER, "01", "a letter in the number"),
    ("(01)٥1022222233336", Bad.CHARACTER, "01", "a digit of another script"),
    (f"(01){FDA}(10)", Bad.LENGTH, "10", "an empty lot"),
    (f"(01){FDA}(10)" + "A" * 21, Bad.LENGTH, "10", "a lot of 21 characters"),
    (f"(01){FDA}(21)" + "A" * 21, Bad.LENGTH, "21", "a serial of 21 characters"),
    (f"(01){FDA}(10)Ä1", Bad.CHARACTER, "10", "a letter outside the set"),
    (f"(01){FDA}(10)A(10)B", Bad.TWICE, "10", "two lots"),
    (f"01{FDA}10A\x1d10B", Bad.TWICE, "10", "two lots, raw"),
    ("nasal cushion", Bad.UNREADABLE, "", "words"),
    ("(nasal", Bad.UNREADABLE, "", "words in parentheses"),
    (" \x1d ", Bad.EMPTY, "", "nothing"),
    ("]d2", Bad.EMPTY, "", "a prefix alone"),
    ("1" * (LONGEST + 1), Bad.LENGTH, "", "longer than any symbol"),
    ("X" + f"01{FDA}", Bad.UNREADABLE, "", "a letter before the code"),
    ("X+A123BJC5D6E71G", Bad.UNREADABLE, "", "a letter before an HIBC code"),
    (f"]d201{FDA}10A]C1B", Bad.CHARACTER, "10", "a prefix stands at the start, once"),
    ("+A123BJC5D6E71H", Bad.CHECK_DIGIT, "", "HIBC with another check character"),
    ("+1123BJC5D6E71G", Bad.UNREADABLE, "", "HIBC labeler that starts with a digit"),
    ("+A123BJC5D6E7XG", Bad.UNREADABLE, "", "HIBC unit that is no digit"),
]


@pytest.mark.parametrize(("text", "reason", "element", "why"), PROBLEMS, ids=[row[3] for row in PROBLEMS])
def test_what_cannot_be_used(text: str, reason: Bad, element: str, why: str) -> None:
    assert parse(text, year=2026) == Problem(reason, element)


def test_one_element_said_twice_alike_is_said_once() -> None:
    assert parse(f"(01){FDA}(10)A(10)A", year=2026) == Scan(gtin=FDA, lot="A")


def test_the_primary_code_of_hibc() -> None:
    """The example is from memory, its check character computed by ANSI/HIBC 2.4-2013, modulo 43."""
    assert hibc_check("+A123BJC5D6E71") == "G"
    for text in ("+A123BJC5D6E71G", " +A123BJC5D6E71G \r"):
        assert parse(text, year=2026) == Scan(hibc="+A123BJC5D6E71G")


def test_a_check_character_may_be_a_blank() -> None:
    """The places add up to 81, 38 over 43 (ours); some scanners cut blanks at the end."""
    assert parse("+A123N1 ", year=2026) == parse("+A123N1\n", year=2026) == Scan(hibc="+A123N1 ")


def test_a_bare_number_is_filled_up_to_fourteen_digits() -> None:
    """GS1: a GTIN-13 is the GTIN-14 with a zero before it (from memory); the number is gs1.org's example."""
    assert parse("6291041500213", year=2026) == Scan(gtin="06291041500213")


# --- laws ---

YEAR = 2026
CHARACTERS = "!\"%&'()*+,-./0123456789:;<=>?ABCXYZ_abcxyz"
values = st.text(CHARACTERS, max_size=20)
days = st.none() | st.dates(date(YEAR - 49, 1, 1), date(YEAR + 50, 12, 31))
payloads = st.integers(1, 10**13 - 1).map(lambda number: f"{number:013}")
gtins = payloads.map(lambda payload: f"{payload}{check_digit(payload)}")
scans = st.builds(Scan, gtins, values, days, days, values)


@given(scans)
def test_what_is_rendered_is_read_back(scan: Scan) -> None:
    assert parse(render(scan), year=YEAR) == scan


def element_string(scan: Scan) -> str:
    """What a symbol holds, written by the standard's words: a separator ends a lot and a serial."""
    written = f"01{scan.gtin}"
    written += f"11{scan.produced_on:%y%m%d}" if scan.produced_on else ""
    written += f"17{scan.expires_on:%y%m%d}" if scan.expires_on else ""
    written += f"10{scan.lot}\x1d" if scan.lot else ""
    return written + (f"21{scan.serial}\x1d" if scan.serial else "")


@given(scans)
def test_what_a_symbol_holds_is_read_back_with_and_without_its_prefix(scan: Scan) -> None:
    """The prefixes are those of Data Matrix, linear and QR symbols that hold GS1 elements (from memory)."""
    for prefix in ("", "]d2", "]C1", "]Q3", "\x1d"):
        assert parse(prefix + element_string(scan), year=YEAR) == scan


printable = st.builds(
    Scan,
    gtins,
    values.map(lambda v: v.replace("(", "")),
    days,
    days,
    values.map(lambda v: v.replace("(", "")),
)


@given(printable)
def test_what_is_printed_for_people_is_read_back(scan: Scan) -> None:
    """A value that holds an opening parenthesis cannot be told from an element: it is never printed so."""
    printed = f"(01){scan.gtin}"
    printed += f"(11){scan.produced_on:%y%m%d}" if scan.produced_on else ""
    printed += f"(17){scan.expires_on:%y%m%d}" if scan.expires_on else ""
    printed += (f"(10){scan.lot}" if scan.lot else "") + (f"(21){scan.serial}" if scan.serial else "")
    assert render(scan) == printed
    assert parse(printed, year=YEAR) == scan


def test_a_parenthesis_in_a_serial_that_looks_like_an_element() -> None:
    scan = Scan(FDA, serial="A(10B")
    assert parse(render(scan), year=YEAR) == scan


@given(st.from_regex(r"\+[A-Z][A-Z0-9]{3}[A-Z0-9]{1,13}[0-9]", fullmatch=True))
def test_an_hibc_primary_code_is_read_back(payload: str) -> None:
    """Form and modulo 43 as in ANSI/HIBC 2.4-2013; blanks and Enter around it are the scanner's."""
    scan = Scan(hibc=payload + hibc_check(payload))
    for text in (render(scan), f"{render(scan)}\r\n", f" {render(scan)}"):
        assert parse(text, year=YEAR) == scan
    wrong = parse(payload + ("0" if hibc_check(payload) != "0" else "1"), year=YEAR)
    if isinstance(wrong, Scan):  # read as a longer code whose check character is a blank that was cut off
        assert wrong.hibc.endswith(" ")
    else:
        assert wrong == Problem(Bad.CHECK_DIGIT)


ODD = st.text("0123456789()]+\x1dA- ", max_size=60)
AFTER_A_NUMBER = ODD.map(lambda text: f"01{FDA}{text}")


LONG = st.builds(
    lambda part, start: (start + part * 4096)[:4096],
    st.text(st.characters(), min_size=1, max_size=40) | ODD.filter(bool),
    st.sampled_from(("", "(", "+", "]d2", f"01{FDA}", f"(01){FDA}(10)")),
)
"""Up to 4,096 characters of any script, lone surrogates too."""


@given(LONG, st.integers(1, 9999))
def test_no_text_however_long_crashes_the_parser(text: str, year: int) -> None:
    for length in (len(text), LONGEST):
        assert isinstance(parse(text[:length], year=year), Scan | Problem)
    assert parse(text, year=year) == Problem(Bad.LENGTH)


@given(st.text(st.characters(), max_size=60) | ODD | AFTER_A_NUMBER, st.integers(1, 9999))
def test_any_text_has_an_answer_that_is_read_back(text: str, year: int) -> None:
    found = parse(text, year=year)
    if isinstance(found, Scan):
        assert render(found) or found.warnings == (Warn.SKIPPED,)
        if render(found):
            again = parse(render(found), year=year)
            assert isinstance(again, Scan)
            assert render(again) == render(found)
            assert (again.gtin, again.lot, again.serial) == (found.gtin, found.lot, found.serial)
    else:
        assert found.reason in Bad
