"""The demo's mail: every message becomes a file, for a person to read what a patient would have received."""

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend

from resupply import clock


class FolderBackend(BaseEmailBackend):
    """Writes each message to MAIL_FOLDER, as the mail catcher would have."""

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        """Write the messages and return how many were written."""
        for message in email_messages:
            keep(Path(settings.MAIL_FOLDER), message.message().as_bytes())
        return len(email_messages)


def keep(folder: Path, content: bytes) -> Path:
    """Write one message to a file of its own, complete or not at all, and return the file."""
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{clock.now():%Y%m%dT%H%M%S.%f}-{sha256(content).hexdigest()[:12]}"
    unfinished = folder / f".{name}"
    unfinished.write_bytes(content)
    return unfinished.rename(folder / f"{name}.eml")
