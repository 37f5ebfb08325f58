"""LOINC codes of what a night reports, and their check digit.

A code is digits, a hyphen and a check digit: the Luhn digit over the digits before the hyphen (every other
one doubled, from the right). It finds one wrong digit.

>>> is_valid("69990-0"), is_valid("69990-8")
(True, False)

Source: the PAP codes of LOINC 2.82 as a public mirror lists them (P). No code for one night's use or for the
median pressure was found, so none is given.
"""

import re

CODES = {
    "ahi_flow": "69990-0",
    "press_p95": "69986-8",
    "leak_p50": "70001-3",
    "leak_p95": "69997-5",
    "device_serial": "69993-4",
}
"""LOINC code by what it measures; the values are those over 24 hours."""


def is_valid(code: str) -> bool:
    """Whether a code has the form of a LOINC code and the right check digit."""
    if not re.fullmatch(r"[0-9]{1,7}-[0-9]", code, re.ASCII):
        return False
    digits, _, check = code.partition("-")
    doubled = (int(digit) * (2, 1)[place % 2] for place, digit in enumerate(reversed(digits)))
    return -sum(tens + ones for tens, ones in (divmod(number, 10) for number in doubled)) % 10 == int(check)
