"""Signatures of what a gateway tells us: that it comes from who knows the secret, and now.

The rule in plain words. A sender signs the moment and the body together, `<seconds since 1970>.<body>`, by
HMAC-SHA256 with a secret that both sides know, and sends the moment and `v1=<64 hexadecimal digits>` with the
body. A signature counts for `WINDOW` before and after its moment: a clock may be a little wrong, and what was
overheard is soon worth nothing. Within the window the receiver keeps the sender's own name of each event and
does nothing twice.

Edge cases: an empty secret signs nothing; a moment is plain digits; the comparison takes the same time for
every wrong signature.

Source: HMAC is RFC 2104 with the hash of FIPS 180-4; the form of what is signed is ours.

>>> moment = datetime(2026, 3, 18, 15, 0, tzinfo=UTC)
>>> signed = sign("k" * 32, stamp=stamp_of(moment), body=b"{}")
>>> check("k" * 32, stamp=stamp_of(moment), signature=signed, body=b"{}", now=moment + timedelta(minutes=5))
<Signed.RIGHT: 'right'>
>>> check("k" * 32, stamp=stamp_of(moment), signature=signed, body=b"{} ", now=moment)
<Signed.WRONG: 'wrong'>
"""

import hashlib
import hmac
import re
from datetime import UTC, datetime, timedelta
from enum import StrEnum

WINDOW = timedelta(minutes=5)


class Signed(StrEnum):
    """What a signature is worth."""

    RIGHT = "right"
    STALE = "stale"
    WRONG = "wrong"


def stamp_of(moment: datetime) -> str:
    """A moment (aware) as it is signed: whole seconds since 1970."""
    return str(int(moment.timestamp()))


def sign(secret: str, *, stamp: str, body: bytes) -> str:
    """The signature of a body at a moment."""
    digest = hmac.new(secret.encode(), stamp.encode() + b"." + body, hashlib.sha256)
    return f"v1={digest.hexdigest()}"


def check(secret: str, *, stamp: str, signature: str, body: bytes, now: datetime) -> Signed:
    """Whether a signature is right and of this time; `now` is aware."""
    if not secret or not re.fullmatch(r"[0-9]{1,11}", stamp):
        return Signed.WRONG
    right = sign(secret, stamp=stamp, body=body).encode()
    if not hmac.compare_digest(right, signature.encode()):
        return Signed.WRONG
    moment = datetime.fromtimestamp(int(stamp), UTC)
    return Signed.RIGHT if abs(now - moment) <= WINDOW else Signed.STALE
