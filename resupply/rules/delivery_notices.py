"""Delivery status notifications: what a mail server says became of a mail (RFC 3464, in a report of RFC
6522).

The rule in plain words. A notification is a mail of type `multipart/report` with a part
`message/delivery-status`. Its first block is about the message, each further block about one recipient, with
`Action` (failed, delayed, delivered, relayed, expanded) and `Status` (a code of RFC 3463, such as `5.1.1`).
Which of our mails it is about says the `Message-ID` of the mail that came back with it. Only *failed* and
*delivered* tell what became of a mail; a delay is no end of it. A mail that is no such report, or names no
Message-ID, says nothing.

Edge cases: of several recipients (ours have one) the worst counts; a failure without a code is kept as
`5.0.0`, RFC 3463's *other undefined status*.

>>> read(SAMPLE)
Notice(message_id='<7c9e6679@clinic.example>', action='failed', status='5.1.1')
>>> read(b"Subject: hello\\n\\nJust a mail.") is None
True
"""

import re
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import Message

SAMPLE = b"""Subject: Delivery Status Notification (Failure)
Content-Type: multipart/report; report-type=delivery-status; boundary=b

--b
Content-Type: text/plain

It did not arrive.
--b
Content-Type: message/delivery-status

Reporting-MTA: dns; mail.example

Final-Recipient: rfc822; somebody@patients.example
Action: failed
Status: 5.1.1

--b
Content-Type: text/rfc822-headers

Message-ID: <7c9e6679@clinic.example>
--b--
"""
_STATUS = re.compile(r"[245]\.\d{1,3}\.\d{1,3}")
_WORST_FIRST = ("failed", "delivered")


@dataclass(frozen=True, slots=True)
class Notice:
    """What became of the mail with a Message-ID: `failed` or `delivered`, and the code."""

    message_id: str
    action: str
    status: str


def read(content: bytes) -> Notice | None:
    """What a mail says about one of ours; None: nothing."""
    mail = message_from_bytes(content, policy=policy.compat32)
    if mail.get_content_type() != "multipart/report":
        return None
    said = [block for part in mail.walk() if part.get_content_type() == "message/delivery-status"
            for block in _blocks(part)]  # fmt: skip
    found = _returned_id(mail)
    for action in _WORST_FIRST:
        for block in said:
            if str(block.get("Action", "")).strip().lower() == action and found:
                code = _STATUS.search(str(block.get("Status", "")))
                usual = "5.0.0" if action == "failed" else "2.0.0"
                return Notice(found, action, code[0] if code else usual)
    return None


def _blocks(part: Message) -> list[Message]:
    """The blocks of a status part; the parser makes each a message of its own."""
    payload = part.get_payload()
    return [block for block in payload if isinstance(block, Message)] if isinstance(payload, list) else []


def _returned_id(mail: Message) -> str:
    """The Message-ID of the mail that came back, whole or as its headers."""
    for part in mail.walk():
        if part.get_content_type() == "message/rfc822":
            inner = part.get_payload()
            if isinstance(inner, list) and inner and isinstance(inner[0], Message):
                return str(inner[0].get("Message-ID", "")).strip()
        if part.get_content_type() == "text/rfc822-headers":
            text = part.get_payload(decode=True)
            if isinstance(text, bytes):
                return str(message_from_bytes(text).get("Message-ID", "")).strip()
    return ""
