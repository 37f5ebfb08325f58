"""The settings of mail in words, and a test message that goes the way of every other one.

What is shown leaves the password out. The message says nothing about anybody.
"""

from dataclasses import dataclass
from uuid import uuid4

from django.conf import settings
from django.template.loader import render_to_string

from resupply.delivery.mail import MailCarrier
from resupply.rules.sending import Answer, Letter

SMTP = "django.core.mail.backends.smtp.EmailBackend"


@dataclass(frozen=True, slots=True)
class MailSettings:
    """How mail leaves: `server` is `host:port`, or says that messages become files; `line` is `tls` (from the
    first byte), `starttls` or `plain`, `files` where there is no server; `user` signs in there (empty: nobody
    does).
    """

    server: str
    line: str
    user: str
    sender: str
    stop_mail: str


def mail_settings() -> MailSettings:
    """The settings in use here, in the web; the worker that sends has to have the same."""
    sender, stop_mail = settings.DEFAULT_FROM_EMAIL, settings.STOP_MAIL
    if settings.EMAIL_BACKEND != SMTP:
        return MailSettings("files on this machine", "files", "", sender, stop_mail)
    line = "tls" if settings.EMAIL_USE_SSL else "starttls" if settings.EMAIL_USE_TLS else "plain"
    server = f"{settings.EMAIL_HOST}:{settings.EMAIL_PORT}"
    return MailSettings(server, line, settings.EMAIL_HOST_USER or "", sender, stop_mail)


def send_message(address: str) -> Answer:
    """Send a test message; what a server or a network does comes back as an answer."""
    carrier = MailCarrier()
    try:
        return carrier.send(_letter(address))
    finally:
        carrier.close()


def _letter(address: str) -> Letter:
    shown = {"clinic_name": settings.CLINIC_NAME, "language": "en"}
    return Letter(
        key=str(uuid4()),
        address=address,
        language="en",
        subject=" ".join(render_to_string("mail/check.subject.txt", shown).split()),
        text=render_to_string("mail/check.txt", shown),
        html=render_to_string("mail/check.html", shown),
    )
