"""Mails as bytes: read back with the standard library's parser, and compared with what Django builds (which
leaves an empty part out)."""

from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import formataddr

import pytest
from django.core.mail import EmailMultiAlternatives
from hypothesis import given, settings
from hypothesis import strategies as st

from resupply.delivery.mime import written

WORDS = st.text(
    st.characters(exclude_categories=["C", "Zl", "Zp"], include_characters="\n"), min_size=1, max_size=400
)
SUBJECTS = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=120).map(
    lambda words: " ".join(words.split())
)


def read(data: bytes) -> EmailMessage:
    return message_from_bytes(data, policy=policy.default)  # type: ignore[return-value]


def parts(mail: EmailMessage) -> list[tuple[str, str]]:
    return [
        (part.get_content_type(), part.get_content().replace("\r\n", "\n").removesuffix("\n"))
        for part in mail.iter_parts()
    ]


@settings(max_examples=40)
@given(subject=SUBJECTS, text=WORDS, html=WORDS)
def test_what_is_written_is_read_back_and_equal_to_djangos(subject: str, text: str, html: str) -> None:
    headers = {
        "Subject": subject,
        "From": formataddr(("Clínica", "desk@clinic.example")),
        "To": "p@patients.example",
    }
    theirs = EmailMultiAlternatives(subject, text, headers["From"], [headers["To"]])
    theirs.attach_alternative(html, "text/html")
    data = written(headers, text=text, html=html).as_bytes(linesep="\r\n")
    ours, reference = read(data), read(theirs.message().as_bytes(linesep="\r\n"))
    assert parts(ours) == [("text/plain", text.removesuffix("\n")), ("text/html", html.removesuffix("\n"))]
    assert parts(ours) == parts(reference)
    assert ours["From"].addresses == reference["From"].addresses
    assert str(ours["Subject"]) == subject
    assert ours.get_content_type() == "multipart/alternative"
    assert not ours.defects
    # RFC 5321 section 4.5.3.1.6: 1,000 octets with the line end; RFC 2045 section 6.7: 76 characters.
    lines = data.split(b"\r\n")
    assert all(len(line) <= 998 for line in lines)
    assert data.isascii()
    assert b"\n" not in b"".join(lines)


def test_a_line_break_in_a_header_is_refused() -> None:
    """RFC 5322 section 2.2: a header field ends there, and whoever wrote it could begin another."""
    with pytest.raises(ValueError, match="line break"):
        written({"Subject": "due\r\nBcc: x@y.example"}, text="", html="")


def test_line_ends_as_asked_for() -> None:
    mail = written({"Subject": "due"}, text="one\ntwo\n", html="<p>one</p>\n")
    assert b"\r" not in mail.as_bytes()
    assert mail.as_bytes(linesep="\r\n") == mail.as_bytes().replace(b"\n", b"\r\n")
