"""Bounces: whether what came back says that an address does not exist.

The rule in plain words. A message that could not be delivered is shown to a person. Where the answer says
that there is no such address, nothing more is sent there until it is changed or a person confirms it. A full
mailbox, a refused content, a server that was down for days say nothing about the address.

Mail. Codes are those of RFC 3463 (`5.1.1`, with 5.1.x about the address, 5.1.7 and 5.1.8 about the sender's
own, and 5.2.1 a mailbox that is closed) or of RFC 5321 (550, 551 and 553 to a recipient), which say less:
550 stands for a policy too. Where a server gives both (RFC 2034), that of RFC 3463 decides. Text messages: a
gateway's code (docs/text-gateway.md).

>>> is_hard("mail", "5.1.1"), is_hard("mail", "5.2.2"), is_hard("mail", "SMTPRecipientsRefused 550")
(True, False, True)
>>> is_hard("mail", "5.1.8"), is_hard("mail", "5.1.10")
(False, True)
>>> is_hard("mail", "SMTPRecipientsRefused 550 5.1.1"), is_hard("mail", "SMTPRecipientsRefused 550 5.7.1")
(True, False)
>>> is_hard("text", "unknown_number"), is_hard("text", "expired")
(True, False)
"""

import re

_STATUS = re.compile(r"(?<![\d.])[245]\.\d{1,3}\.\d{1,3}(?![\d.])")
_GONE = re.compile(r"5\.(?:1\.(?![78]$)\d{1,3}|2\.1)")
_REFUSED = re.compile(r"SMTPRecipientsRefused 55[013]")
_NUMBERS = frozenset({"unknown_number", "invalid_number", "landline", "not_a_number", "deactivated"})


def is_hard(channel: str, detail: str) -> bool:
    """Whether nothing more is to be sent to that address on its account."""
    if channel == "mail":
        if status := _STATUS.search(detail):
            return _GONE.fullmatch(status[0]) is not None
        return bool(_REFUSED.search(detail)) or detail == "not an e-mail address"
    return detail.startswith("not a number for texts") or any(code in detail.split() for code in _NUMBERS)
