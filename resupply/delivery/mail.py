"""Mail: reminders in words, over one SMTP connection for a batch.

The wording says that something is due, how to answer and whom to call: no illness, no device, no kind of
clinic, and parts only where the patient chose detail (a screen may be read by others). The clinic is named as
it names itself in MAIL_FROM, so that name should not tell what it treats either. A Message-ID comes from the
message's own key, so a copy sent after a fault carries the same one and mail programs can drop it (RFC 5322
section 3.6.4).
"""

import re
import smtplib
from email.utils import formataddr, formatdate, parseaddr

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.message import sanitize_address
from django.core.validators import validate_email
from django.template.loader import render_to_string

from resupply.delivery import addresses
from resupply.delivery.calendar_words import KINDS
from resupply.delivery.mime import Written, written
from resupply.delivery.progress import Progress, Watch
from resupply.rules.kinds import Kind
from resupply.rules.purposes import Purpose
from resupply.rules.sending import Answer, Letter, Note, Outcome

_NOTICES = frozenset({Purpose.SWAP, Purpose.FOLLOW_UP, Purpose.WELCOME, Purpose.CALENDAR})
# Folders of wording below templates/mail; English is the plain one.
_FOLDERS = {"en": "mail", "es": "mail/es"}


class Mail(EmailMultiAlternatives):
    """A letter with two alternatives, built as `mime` says."""

    def message(self, *, policy: object = None) -> Written:  # type: ignore[override]
        """What backends ask for the bytes of; they set no policy."""
        headers = {"Subject": self.subject, "From": self.from_email, "To": self.to[0], **self.extra_headers}
        return written(headers, text=str(self.body), html=str(self.alternatives[0][0]))


class MailCarrier:
    """A `Carrier` over Django's mail backend: SMTP in use, a folder of files in the demo."""

    def __init__(self) -> None:
        self._connection = get_connection()
        self._is_open = False
        self._watch = Watch()
        self._sender = parseaddr(settings.DEFAULT_FROM_EMAIL)
        self._from = formataddr(self._sender)

    def compose(self, note: Note) -> Letter:
        """Put a note into the patient's language (English where there is no other wording)."""
        language = note.language if note.language in _FOLDERS else "en"
        name = f"{_FOLDERS[language]}/{_wording(note)}"
        stop_url = addresses.way_out(note.stop_token)
        shown = {
            "given_name": note.given_name,
            "sender": self._sender[0],
            "phone": note.phone,
            "step": note.step,
            "purpose": note.purpose,
            "also": note.also,
            "parts": ", ".join(KINDS[language][Kind(kind)] for kind in note.kinds),
            "language": language,
            "link": addresses.question(note.token),
            "page": addresses.own_page(note.page_token),
            "stop": stop_url,
        }
        return Letter(
            key=note.key,
            address=note.address,
            language=language,
            subject=" ".join(render_to_string(f"{name}.subject.txt", shown).split()),
            text=render_to_string(f"{name}.txt", shown),
            html=render_to_string(f"{name}.html", shown),
            stop_url=stop_url,
        )

    def send(self, letter: Letter) -> Answer:
        """Send one letter; what a server or a network does comes back as an answer."""
        try:
            validate_email(letter.address)
        except ValidationError:
            return Answer(Outcome.REFUSED, "not an e-mail address")
        was_open = self._is_open
        answer = self._try(letter)
        if was_open and not self._is_open and answer.outcome is Outcome.UNREACHABLE:
            return self._try(letter)  # the server had closed the connection after an earlier letter
        return answer

    def _try(self, letter: Letter) -> Answer:
        """Send over the connection there is, or a new one."""
        try:
            if not self._is_open:
                self._connection.open()
                self._is_open = True
                self._watch.attach(self._connection)
        except (OSError, smtplib.SMTPException) as error:
            self._drop()
            return Answer(Outcome.UNREACHABLE, _describe(error))
        self._watch.begin()
        try:
            self._hand_over(self._as_mail(letter))
        except Exception as error:  # sorted by kind below; an unknown one counts as a temporary refusal
            answer = _sort(error, self._watch.reached)
            if _lost_connection(error):
                self._drop()
            return answer
        return Answer(Outcome.ACCEPTED)

    def _hand_over(self, mail: Mail) -> None:
        """Give one mail to the open connection. To SMTP directly: Django's backend reads both addresses anew
        for every mail, which takes as long as to build it.
        """
        line = getattr(self._connection, "connection", None)
        if isinstance(line, smtplib.SMTP):
            line.sendmail(self._sender[1], mail.to, mail.message().as_bytes(linesep="\r\n"))
        else:
            self._connection.send_messages([mail])

    def close(self) -> None:
        """Let go of the connection."""
        if self._is_open:
            self._drop()

    def _drop(self) -> None:
        """Close the connection whatever state it is in; the next letter opens a new one."""
        self._is_open = False
        try:
            self._connection.close()
        except (OSError, smtplib.SMTPException):
            self._connection = get_connection()

    def _as_mail(self, letter: Letter) -> Mail:
        domain = self._sender[1].rpartition("@")[2] or "localhost"
        address = letter.address if letter.address.isascii() else sanitize_address(letter.address, "utf-8")
        mail = Mail(
            subject=letter.subject,
            body=letter.text,
            from_email=self._from,
            to=[address],
            headers={
                "Message-ID": f"<{letter.key}@{domain}>",
                "Date": formatdate(usegmt=True),
                "Auto-Submitted": "auto-generated",  # RFC 3834: no out-of-office answers
                "Content-Language": letter.language,
                **_way_out(letter),
            },
            connection=self._connection,
        )
        mail.attach_alternative(letter.html, "text/html")
        return mail


_FINER = re.compile(rb"[245]\.\d{1,3}\.\d{1,3}(?!\S)")
_BROKEN_OFF = {
    Progress.ANNOUNCED: Outcome.UNREACHABLE,
    Progress.ADDRESSED: Outcome.LATER,  # it may be this address, which must not hold up the others
    Progress.HANDED_OVER: Outcome.UNSURE,
}


def _wording(note: Note) -> str:
    """The template of a note."""
    if note.purpose in _NOTICES:
        return "notice"
    return note.purpose or ("refill_question" if note.token else "refill")


def _way_out(letter: Letter) -> dict[str, str]:
    """Headers by which a mail program ends these messages with one click (RFC 2369, RFC 8058).

    RFC 8058 wants an https address and a DKIM signature that covers both headers; the signature is the mail
    server's part (docs/operating.md). Over plain http, as in a trial, only a person can follow the link.
    """
    if not letter.stop_url:
        return {}
    ways = [f"<{letter.stop_url}>"]
    if settings.STOP_MAIL:
        ways.append(f"<mailto:{settings.STOP_MAIL}?subject=stop>")
    headers = {"List-Unsubscribe": ", ".join(ways)}
    if letter.stop_url.startswith("https://"):
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return headers


def _sort(error: Exception, reached: Progress) -> Answer:
    """What an error during the sending means (RFC 5321 section 4.2.1: 5yz for good, 4yz for now)."""
    detail = _describe(error)
    if isinstance(error, smtplib.SMTPSenderRefused | smtplib.SMTPAuthenticationError):
        return Answer(Outcome.UNREACHABLE, detail)  # our own account is refused, whoever the patient is
    if isinstance(error, smtplib.SMTPRecipientsRefused | smtplib.SMTPResponseException):
        return Answer(Outcome.REFUSED if 500 <= _code(error) < 600 else Outcome.LATER, detail)
    if isinstance(error, smtplib.SMTPNotSupportedError | ValueError):
        return Answer(Outcome.REFUSED, detail)  # an address that cannot be written in mail
    if isinstance(error, OSError):  # includes smtplib.SMTPServerDisconnected and time-outs
        return Answer(_BROKEN_OFF[reached], detail)
    return Answer(Outcome.LATER, detail)


def _lost_connection(error: Exception) -> bool:
    """Whether the connection is of no more use: it broke, or the server said goodbye (421)."""
    if isinstance(error, smtplib.SMTPRecipientsRefused | smtplib.SMTPResponseException):
        return _code(error) == 421
    return isinstance(error, OSError)


def _code(error: Exception) -> int:
    """The server's answer code; of several recipients' the first. 0: there was none."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return next((code for code, _ in error.recipients.values()), 0)
    return error.smtp_code if isinstance(error, smtplib.SMTPResponseException) else 0


def _describe(error: Exception) -> str:
    """The kind of error and the server's codes (RFC 5321, and RFC 2034 where it speaks that): its words may
    hold an address.
    """
    code = _code(error)
    if not code:
        return type(error).__name__
    finer = _FINER.match(_words(error))
    return f"{type(error).__name__} {code}" + (f" {finer[0].decode()}" if finer else "")


def _words(error: Exception) -> bytes:
    """What the server said beside its code."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        said: bytes | str = next((words for _, words in error.recipients.values()), b"")
    else:
        said = error.smtp_error if isinstance(error, smtplib.SMTPResponseException) else b""
    return said if isinstance(said, bytes) else said.encode(errors="replace")
