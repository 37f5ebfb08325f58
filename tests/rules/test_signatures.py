"""Signatures of what a gateway tells us."""

import doctest
from datetime import UTC, datetime, timedelta
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import signatures
from resupply.rules.signatures import WINDOW, Signed, check, sign, stamp_of

NOW = datetime(2026, 3, 18, 15, 0, tzinfo=UTC)
SECRET = "7" * 32


def by_hand(secret: bytes, message: bytes) -> str:
    """RFC 2104: H(K xor opad, H(K xor ipad, message)), with blocks of 64 bytes."""
    key = (sha256(secret).digest() if len(secret) > 64 else secret).ljust(64, b"\0")
    inner = sha256(bytes(byte ^ 0x36 for byte in key) + message).digest()
    return sha256(bytes(byte ^ 0x5C for byte in key) + inner).hexdigest()


def test_the_reading_by_hand_gives_the_published_value() -> None:
    """RFC 4231 section 4.3, test case 2."""
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert by_hand(b"Jefe", b"what do ya want for nothing?") == expected


@given(st.text(min_size=1, max_size=90), st.datetimes(timezones=st.just(UTC)), st.binary(max_size=200))
def test_a_signature_is_the_hmac_of_moment_and_body(secret: str, moment: datetime, body: bytes) -> None:
    stamp = stamp_of(moment)
    assert sign(secret, stamp=stamp, body=body) == "v1=" + by_hand(
        secret.encode(), stamp.encode() + b"." + body
    )


@pytest.mark.parametrize(
    ("age", "verdict"),
    [
        (timedelta(0), Signed.RIGHT),
        (WINDOW, Signed.RIGHT),
        (WINDOW + timedelta(seconds=1), Signed.STALE),
        (-WINDOW, Signed.RIGHT),
        (-WINDOW - timedelta(seconds=1), Signed.STALE),
    ],
)
def test_a_signature_counts_for_five_minutes_either_way(age: timedelta, verdict: Signed) -> None:
    stamp = stamp_of(NOW - age)
    signature = sign(SECRET, stamp=stamp, body=b"{}")
    assert check(SECRET, stamp=stamp, signature=signature, body=b"{}", now=NOW) is verdict


STAMP = stamp_of(NOW)
RIGHT = sign(SECRET, stamp=STAMP, body=b"{}")


@pytest.mark.parametrize(
    ("secret", "stamp", "signature", "body", "says"),
    [
        ("8" * 32, STAMP, RIGHT, b"{}", "another secret"),
        ("", STAMP, sign("", stamp=STAMP, body=b"{}"), b"{}", "no secret signs nothing"),
        (SECRET, str(int(STAMP) + 1), RIGHT, b"{}", "another moment"),
        (SECRET, STAMP, RIGHT, b"{ }", "another body"),
        (SECRET, STAMP, RIGHT[:-1], b"{}", "a signature that was cut"),
        (SECRET, STAMP, RIGHT.removeprefix("v1="), b"{}", "no version"),
        (SECRET, STAMP, "", b"{}", "no signature"),
        (SECRET, STAMP, "v1=é", b"{}", "letters outside ASCII"),
        (SECRET, "", sign(SECRET, stamp="", body=b"{}"), b"{}", "no moment"),
        (SECRET, "soon", sign(SECRET, stamp="soon", body=b"{}"), b"{}", "a moment in words"),
        (SECRET, "９", sign(SECRET, stamp="９", body=b"{}"), b"{}", "digits of another script"),
        (SECRET, "9" * 12, sign(SECRET, stamp="9" * 12, body=b"{}"), b"{}", "a moment beyond all calendars"),
    ],
)
def test_what_is_wrong(secret: str, stamp: str, signature: str, body: bytes, says: str) -> None:
    assert check(secret, stamp=stamp, signature=signature, body=body, now=NOW) is Signed.WRONG, says


def test_the_examples_of_the_module_hold() -> None:
    assert doctest.testmod(signatures).failed == 0
