"""A letter as the bytes of a mail: plain text and HTML as alternatives, in seven bits whatever it says.

Written by hand because every reminder is one: the general builder took three times as long as the mail server
to take it. The form is fixed: RFC 5322 headers, non-ASCII words as RFC 2047 says, a `multipart/alternative`
body (RFC 2046 section 5.1.4), both parts quoted-printable (RFC 2045 section 6.7), so that any server may
pass it on and no line is too long. A boundary with `=_` in it can occur in no quoted-printable text (same
section). Tests read it back with the standard library's parser and compare it with what Django builds.
"""

from binascii import b2a_qp
from collections.abc import Mapping
from email.header import Header

_BOUNDARY = "=_alternatives"
_SHOULD = 78
"""Characters a line should have at most (RFC 5322 section 2.1.1)."""


class Written:
    """What a mail backend asks a message for: its bytes."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def as_bytes(self, unixfrom: bool = False, linesep: str = "\n") -> bytes:
        """The bytes, with these line ends."""
        return self._data if linesep == "\r\n" else self._data.replace(b"\r\n", linesep.encode())


def written(headers: Mapping[str, str], *, text: str, html: str) -> Written:
    """A mail of these headers with two alternatives. Raises ValueError for a line break in a header."""
    lines = [_header(name, value) for name, value in headers.items()]
    lines += ["MIME-Version: 1.0", f'Content-Type: multipart/alternative; boundary="{_BOUNDARY}"', ""]
    return Written(
        b"\r\n".join(
            [
                *(line.encode("ascii") for line in lines),
                *_part("plain", text),
                *_part("html", html),
                f"--{_BOUNDARY}--".encode(),
                b"",
            ]
        )
    )


def _header(name: str, value: str) -> str:
    if "\n" in value or "\r" in value:
        raise ValueError(f"a line break in {name}")
    line = f"{name}: {value}"
    if value.isascii() and (len(line) <= _SHOULD or " " not in value):
        return line
    folded = Header(value, None if value.isascii() else "utf-8", _SHOULD, name).encode()
    return f"{name}: {folded}".replace("\n", "\r\n")


def _part(kind: str, content: str) -> list[bytes]:
    lines = b2a_qp(content.replace("\r\n", "\n").encode(), istext=True)
    return [
        f"--{_BOUNDARY}".encode(),
        f'Content-Type: text/{kind}; charset="utf-8"'.encode(),
        b"Content-Transfer-Encoding: quoted-printable",
        b"",
        lines.replace(b"\n", b"\r\n"),
    ]
