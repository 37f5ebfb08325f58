"""Check values of the prescriber's number, and its law."""

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import npi
from resupply.rules.npi import Fault

NINE = st.from_regex("[12][0-9]{8}", fullmatch=True)


@pytest.mark.parametrize(
    ("number", "fault", "why"),
    [
        ("1234567893", None, "CMS, requirements for the NPI check digit, its worked example (P2)"),
        ("1234567890", Fault.CHECK_DIGIT, "the same example with another check digit (P2)"),
        ("1993999998", None, "valid in form, reported from CMS (P2)"),
        ("3234567893", Fault.FIRST_DIGIT, "the first digit is 1 or 2 (CMS, P2)"),
        ("0234567893", Fault.FIRST_DIGIT, "the first digit is 1 or 2 (CMS, P2)"),
        ("123456789", Fault.LENGTH, "ten digits (CMS, P2)"),
        ("12345678930", Fault.LENGTH, "ten digits (CMS, P2)"),
        ("١٢٣٤٥٦٧٨٩٣", Fault.LENGTH, "digits of another script are none of the number's"),
        ("", Fault.LENGTH, "nothing was typed"),
    ],
)
def test_published_values(number: str, fault: Fault | None, why: str) -> None:
    assert npi.fault(number) is fault, why


def test_the_constant_of_the_source_is_the_same_rule() -> None:
    """CMS (P2): instead of the prefix, 24 may be added to the sum over the nine digits."""
    for nine in ("123456789", "199399999", "290000001"):
        total = 24
        for place, digit in enumerate(reversed(nine)):
            number = int(digit) * (2 if place % 2 == 0 else 1)
            total += number - 9 if number > 9 else number
        assert npi.check_digit(nine) == (10 - total % 10) % 10


@given(NINE)
def test_exactly_one_check_digit_fits(nine: str) -> None:
    fitting = [digit for digit in range(10) if npi.fault(f"{nine}{digit}") is None]
    assert fitting == [npi.check_digit(nine)]


@given(NINE, st.integers(0, 9), st.integers(1, 9))
def test_one_wrong_digit_is_found(nine: str, place: int, off: int) -> None:
    number = f"{nine}{npi.check_digit(nine)}"
    wrong = number[:place] + str((int(number[place]) + off) % 10) + number[place + 1 :]
    assert npi.fault(wrong) is not None


def test_what_is_typed_is_tidied() -> None:
    assert npi.tidy(" 123 456-7893 ") == "1234567893"


def test_the_examples_of_the_module_run() -> None:
    assert doctest.testmod(npi).failed == 0
