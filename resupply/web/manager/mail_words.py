"""What came of a test message, in words: at which step it stopped, and what to do about it."""

from dataclasses import dataclass

from resupply.delivery.mail_check import MailSettings
from resupply.rules.sending import Outcome

LINES = {
    "tls": "encrypted from the first byte (smtps://)",
    "starttls": "encrypted by STARTTLS (?starttls=1)",
    "plain": "not encrypted: only where the server is on this network",
    "files": "a demo or trial: nothing leaves this machine",
}


@dataclass(frozen=True, slots=True)
class Told:
    """`kind` of notice, its title, and what to do."""

    kind: str
    title: str
    text: str


_STOPPED: dict[str, tuple[str, str]] = {
    "gaierror": (
        "The mail server was not found.",
        "No name server knows the host in EMAIL_URL. See how it is spelled.",
    ),
    "ConnectionRefusedError": (
        "The mail server was not reached.",
        "The host is there and nothing answers at that port. See the port in EMAIL_URL: 587 with "
        "?starttls=1, or 465 with smtps://, are usual.",
    ),
    "TimeoutError": (
        "The mail server was not reached.",
        "It did not answer within 20 seconds. A firewall may be in between, or the port in EMAIL_URL is "
        "another one.",
    ),
    "SSLCertVerificationError": (
        "The line could not be encrypted.",
        "The server’s certificate is not for the host in EMAIL_URL, or nobody this machine trusts signed it. "
        "Use the name that the certificate names.",
    ),
    "SSLError": (
        "The line could not be encrypted.",
        "smtps:// wants encryption from the first byte (port 465), ?starttls=1 begins without (port 587): "
        "EMAIL_URL may say one and mean the other.",
    ),
    "SMTPNotSupportedError": (
        "The server does not do what EMAIL_URL asks of it.",
        "It offers no STARTTLS, or takes no sign-in on a line that is not encrypted. Add or take away "
        "?starttls=1, or use smtps://.",
    ),
    "SMTPAuthenticationError": (
        "The mail server refused the sign-in.",
        "User name or password in EMAIL_URL are wrong, or the account may not send. Characters such as @ : / "
        "in them are written as %40 %3A %2F.",
    ),
    "SMTPSenderRefused": (
        "The mail server refused the sender.",
        "It does not let this account write as the address in MAIL_FROM. Use one of its own addresses.",
    ),
    "SMTPRecipientsRefused": (
        "The mail server refused the address you wrote to.",
        "Sign-in and sender are all right. See how the address is spelled; a server that passes on only to "
        "its own addresses refuses others too.",
    ),
    "SMTPDataError": (
        "The mail server refused the message itself.",
        "It took sender and address. Its own log says why: size, content or a limit.",
    ),
    "SMTPServerDisconnected": (
        "The line broke off.",
        "The server hung up. It may want encryption (?starttls=1 or smtps://), or it is too busy: try again.",
    ),
}
_OTHERWISE: dict[str, tuple[str, str]] = {
    Outcome.UNREACHABLE: (
        "The mail server was not reached.",
        "See host and port in EMAIL_URL, and that the server runs.",
    ),
    Outcome.LATER: ("The mail server took nothing for now.", "Try again in some minutes."),
    Outcome.REFUSED: ("The mail server refused the message.", "Its own log says why."),
    Outcome.UNSURE: (
        "The line broke off at the end.",
        "The message may have arrived. Look into the mailbox, then try again.",
    ),
}
KEPT = (
    " Nothing else was changed. Whoever runs the site changes EMAIL_URL or MAIL_FROM for web and worker, and "
    "starts both again."
)


def told(outcome: str, detail: str, mail: MailSettings) -> Told:
    """A test message's end for people; `detail` is a carrier's: a kind of error, and a server's code."""
    if outcome == Outcome.ACCEPTED and mail.line == "files":
        return Told("done", "The message became a file.", "In a demo no mail leaves this machine.")
    if outcome == Outcome.ACCEPTED:
        return Told(
            "done",
            "The mail server took the message.",
            "Look into the mailbox. If it is not there in some minutes, look among unwanted mail, and ask "
            "whoever runs the mail server about SPF and DKIM.",
        )
    name = detail.partition(" ")[0]
    title, text = _STOPPED.get(name) or _OTHERWISE.get(outcome) or _OTHERWISE[Outcome.LATER]
    code = detail.partition(" ")[2]
    return Told("alarm", title, text + (f" It answered {code}." if code else "") + KEPT)
