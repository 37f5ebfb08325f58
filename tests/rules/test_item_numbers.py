"""Check values of GTIN and HIBC primary codes as they are typed into the catalogue."""

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import gs1, item_numbers
from resupply.rules.gs1 import Bad
from resupply.rules.item_numbers import Typed, read_gtin, read_hibc


def gtin(text: str) -> Typed:
    return read_gtin(text, year=2026)


@pytest.mark.parametrize(
    ("payload", "digit", "source"),
    [
        ("629104150021", 3, "gs1.org, worked example of the check digit calculator (sum 57)"),
        ("730001100001", 7, "GS1 Sweden, example"),
        ("890400021003", 7, "GS1 India, example"),
        ("501234567421", 6, "GS1 UK, example"),
        ("501234567890", 0, "GS1 UK, example"),
        ("5102222223333", 6, "FDA, UDI formats by issuing agency (2017), example"),
    ],
)
def test_published_check_digits(payload: str, digit: int, source: str) -> None:
    assert gtin(f"{payload}{digit}").number == f"{payload}{digit}".zfill(14), source
    for wrong in set(range(10)) - {digit}:
        assert gtin(f"{payload}{wrong}") == Typed(fault=Bad.CHECK_DIGIT, expected=digit), source


@pytest.mark.parametrize(
    ("text", "read", "why"),
    [
        (" 6291-0415 00213 ", Typed("06291041500213"), "blanks and hyphens are left out"),
        ("(01)51022222233336(17)150707(10)A213B1", Typed("51022222233336"), "FDA example, as printed"),
        ("]d201510222222333361715070710A213B1", Typed("51022222233336"), "the same as a scanner types it"),
        ("00000000000000", Typed(fault=Bad.PLACEHOLDER), "all zeros pass the digit and name nothing"),
        ("00000000", Typed(fault=Bad.PLACEHOLDER), "so do eight"),
        ("123456789", Typed(fault=Bad.LENGTH), "no GTIN has nine digits"),
        ("(01)51022222233337", Typed(fault=Bad.CHECK_DIGIT), "a misread scan"),
        ("(10)A213B1", Typed(fault=Bad.UNREADABLE), "a scan without an item number"),
        ("+A123BJC5D6E71G", Typed(fault=Bad.UNREADABLE), "an HIBC code is no GTIN"),
        ("٦٢٩١٠٤١٥٠٠٢١٣", Typed(fault=Bad.UNREADABLE), "digits of another script"),
        ("  ", Typed(fault=Bad.EMPTY), "nothing was typed"),
    ],
)
def test_gtins_as_typed(text: str, read: Typed, why: str) -> None:
    assert gtin(text) == read, why


@pytest.mark.parametrize(
    ("text", "read", "why"),
    [
        ("+A123BJC5D6E71G", Typed("A123BJC5D6E7"), "the example of ANSI/HIBC (from memory, computed)"),
        (" +a123bjc5d6e71g\r\n", Typed("A123BJC5D6E7"), "as typed by hand, ended by a scanner's Enter"),
        ("+A123BJC5D6E72H", Typed("A123BJC5D6E7"), "another number packed together, the same item"),
        ("+A123BJC5D6E71H", Typed(fault=Bad.CHECK_DIGIT, expected="G"), "a misread character"),
        ("A123BJC5D6E7", Typed(fault=Bad.UNREADABLE), "without + and check character it cannot be checked"),
        ("51022222233336", Typed(fault=Bad.UNREADABLE), "a GTIN is no HIBC code"),
        ("", Typed(fault=Bad.EMPTY), "nothing was typed"),
    ],
)
def test_hibc_codes_as_typed(text: str, read: Typed, why: str) -> None:
    assert read_hibc(text) == read, why


@given(st.text(alphabet="0123456789", min_size=13, max_size=13))
def test_exactly_one_check_digit_fits(payload: str) -> None:
    fitting = [digit for digit in range(10) if gtin(f"{payload}{digit}").fault is not Bad.CHECK_DIGIT]
    assert fitting == [gs1.check_digit(payload)]


@given(st.from_regex("[A-Z][A-Z0-9]{4,16}", fullmatch=True), st.integers(0, 9))
def test_labeler_and_product_come_back(product: str, packed: int) -> None:
    code = f"+{product}{packed}"
    assert read_hibc(code + gs1.hibc_check(code)).number == product


@given(st.text())
def test_any_text_has_an_answer(text: str) -> None:
    for read in (gtin(text), read_hibc(text)):
        assert bool(read.number) is (read.fault is None)


def test_the_examples_of_the_module_run() -> None:
    assert doctest.testmod(item_numbers).failed == 0
