"""How far a mail had come when its connection broke off, which decides whether it can have arrived.

A server takes a mail once it has read the whole of it (RFC 5321 sections 4.1.1.4 and 4.2.5), so nothing
arrived where the connection broke before the text was handed over. That a server closed a connection after a
number of mails, or a short rest, is noticed only with the next mail.
"""

import smtplib
from enum import IntEnum
from typing import Any


class Progress(IntEnum):
    """Steps of one mail. At ANNOUNCED a server closes for reasons of its own; at ADDRESSED it knows for whom
    the mail is; from HANDED_OVER on it may have taken it.
    """

    ANNOUNCED = 1
    ADDRESSED = 2
    HANDED_OVER = 3


class Watch:
    """Notes the progress of the mail in hand on an SMTP connection; of any other kind nothing is known."""

    def __init__(self) -> None:
        self.reached = Progress.HANDED_OVER
        self._is_watching = False

    def attach(self, backend: Any) -> None:
        """Watch the connection a mail backend has just opened."""
        line = getattr(backend, "connection", None)
        self._is_watching = isinstance(line, smtplib.SMTP)
        if not isinstance(line, smtplib.SMTP):
            return
        rcpt, data = line.rcpt, line.data

        def addressed(*given: Any, **named: Any) -> Any:
            self.reached = Progress.ADDRESSED
            return rcpt(*given, **named)

        def handed_over(*given: Any, **named: Any) -> Any:
            self.reached = Progress.HANDED_OVER
            return data(*given, **named)

        line.rcpt = addressed  # type: ignore[method-assign]
        line.data = handed_over  # type: ignore[method-assign]

    def begin(self) -> None:
        """A new mail is announced."""
        self.reached = Progress.ANNOUNCED if self._is_watching else Progress.HANDED_OVER
