"""The ten-digit number of a prescriber (National Provider Identifier, NPI), checked as it is typed.

Ten digits, the first 1 or 2. The last is a check digit: the Luhn digit over the prefix 80840 and the first
nine. From the right every other digit is doubled, the digits of all results are added, and the check digit
makes a full ten. It finds any one wrong digit, and not that a right one is another person's.

Edge cases: blanks and hyphens are left out; nothing is padded, and no digit is guessed.

>>> fault("1234567893") is None, fault("1234567890")
(True, <Fault.CHECK_DIGIT: 'check_digit'>)
>>> check_digit("123456789")
3

Source: CMS, "Requirements for National Provider Identifier (NPI) and NPI Check Digit", as reported on public
pages (P2).
"""

import re
from enum import StrEnum

PREFIX = "80840"
"""Health applications (80) of the United States (840), put before the number for the check."""


class Fault(StrEnum):
    """Why a number is no NPI."""

    LENGTH = "length"  # not ten digits
    FIRST_DIGIT = "first_digit"  # neither 1 nor 2
    CHECK_DIGIT = "check_digit"  # misread or mistyped


def tidy(typed: str) -> str:
    """What was typed without blanks and hyphens."""
    return re.sub(r"[\s-]", "", typed)


def fault(number: str) -> Fault | None:
    """Why a tidied number cannot be an NPI; None: it can."""
    if not re.fullmatch("[0-9]{10}", number):
        return Fault.LENGTH
    if number[0] not in "12":
        return Fault.FIRST_DIGIT
    return None if check_digit(number[:9]) == int(number[9]) else Fault.CHECK_DIGIT


def check_digit(nine: str) -> int:
    """The tenth digit to the nine before it."""
    doubled = [int(digit) * (2, 1)[place % 2] for place, digit in enumerate(reversed(PREFIX + nine))]
    return -sum(tens + ones for tens, ones in (divmod(number, 10) for number in doubled)) % 10
