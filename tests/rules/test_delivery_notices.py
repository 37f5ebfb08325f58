"""Mails that came back: the worked examples of RFC 3464, shortened, and what is none."""

import pytest

from resupply.rules.bounces import is_hard
from resupply.rules.delivery_notices import SAMPLE, read

WHOLE = SAMPLE.replace(
    b"Content-Type: text/rfc822-headers\n\n", b"Content-Type: message/rfc822\n\nSubject: a note\n"
)


def test_a_report_with_headers_or_with_the_whole_mail() -> None:
    for content in (SAMPLE, WHOLE):
        notice = read(content)
        assert notice is not None
        assert (notice.message_id, notice.action, notice.status) == (
            "<7c9e6679@clinic.example>",
            "failed",
            "5.1.1",
        )


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "nothing"),
        (b"Subject: Out of office\n\nI am away.", "an answer of a person's mail program"),
        (SAMPLE.replace(b"Action: failed", b"Action: delayed"), "a delay is no end (RFC 3464 2.3.3)"),
        (SAMPLE.replace(b"Message-ID", b"X-Nothing"), "about no mail we could know"),
        (b"Content-Type: multipart/report; boundary=b\n\n--b\n\x00\xff broken", "broken"),
    ],
)
def test_what_says_nothing(content: bytes, sentence: str) -> None:
    assert read(content) is None, sentence


def test_a_failure_without_a_code_is_kept_as_undefined() -> None:
    notice = read(SAMPLE.replace(b"Status: 5.1.1\n", b""))
    assert notice is not None
    assert notice.status == "5.0.0"


@pytest.mark.parametrize(
    ("channel", "detail", "hard"),
    [
        # RFC 3463: X.1.x is about the address, X.2.1 a closed mailbox, X.2.2 a full one, X.7.1 a policy.
        ("mail", "5.1.1", True),
        ("mail", "5.1.10", True),
        ("mail", "5.2.1", True),
        ("mail", "5.2.2", False),
        ("mail", "5.7.1", False),
        ("mail", "4.1.1", False),
        ("mail", "5.0.0", False),
        # RFC 5321 4.2.3: 550 no such mailbox, 552 full.
        ("mail", "SMTPRecipientsRefused 550", True),
        ("mail", "SMTPRecipientsRefused 552", False),
        # RFC 2034: a reply may begin with a code of RFC 3463, which says more than 550 does.
        ("mail", "SMTPRecipientsRefused 550 5.1.1", True),
        ("mail", "SMTPRecipientsRefused 550 5.7.1", False),
        ("mail", "SMTPRecipientsRefused 550 5.1.8", False),
        ("mail", "SMTPRecipientsRefused 550 5.2.1", True),
        ("mail", "SMTPDataError 554", False),
        ("text", "HTTP 422 unknown_number", True),
        ("text", "HTTP 500", False),
    ],
)
def test_what_stops_an_address(channel: str, detail: str, hard: bool) -> None:
    assert is_hard(channel, detail) is hard
