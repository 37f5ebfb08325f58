"""The demo's mail folder, for a page that shows what patients would have received."""

from dataclasses import dataclass
from datetime import UTC, datetime
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path

from django.conf import settings


@dataclass(frozen=True, slots=True)
class ShownMail:
    """A message as it left: `sent_at` (aware) from its Date header, both parts as text."""

    key: str
    sent_at: datetime | None
    to: str
    subject: str
    text: str
    html: str
    message_id: str


def list_messages(limit: int = 50) -> list[ShownMail]:
    """The newest messages of the folder first; none where mail goes to an SMTP server or nothing was sent."""
    folder = Path(settings.MAIL_FOLDER)
    files = sorted(folder.glob("*.eml"), reverse=True) if folder.is_dir() else []
    return [_read(file) for file in files[:limit]]


def _read(file: Path) -> ShownMail:
    message = BytesParser(_class=EmailMessage, policy=policy.default).parsebytes(file.read_bytes())
    date = message["Date"]
    sent_at = date.datetime if date is not None else None
    if sent_at is not None and sent_at.tzinfo is None:  # "-0000": a moment in UTC, no word about the zone
        sent_at = sent_at.replace(tzinfo=UTC)
    return ShownMail(
        key=file.stem,
        sent_at=sent_at,
        to=str(message["To"] or ""),
        subject=str(message["Subject"] or ""),
        text=_part(message, "plain"),
        html=_part(message, "html"),
        message_id=str(message["Message-ID"] or ""),
    )


def _part(message: EmailMessage, kind: str) -> str:
    body = message.get_body(preferencelist=(kind,))
    return str(body.get_content()) if body is not None else ""
