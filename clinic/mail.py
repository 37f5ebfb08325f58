"""The demo's mail: every message becomes a file, for a person to read what a patient would have received."""

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend
from django.utils.timezone import now


class FolderBackend(BaseEmailBackend):
    """Writes each message to MAIL_FOLDER as `<UTC time>-<digest>.eml`, complete or not at all."""

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        """Write the messages and return how many were written."""
        folder = Path(settings.MAIL_FOLDER)
        folder.mkdir(parents=True, exist_ok=True)
        for message in email_messages:
            body = message.message().as_bytes()
            name = f"{now():%Y%m%dT%H%M%S.%f}-{sha256(body).hexdigest()[:12]}"
            unfinished = folder / f".{name}"
            unfinished.write_bytes(body)
            unfinished.rename(folder / f"{name}.eml")
        return len(email_messages)
