"""`python -m clinic.mailcatcher`: an SMTP server for trials that keeps every message and sends none."""

import asyncio
import os
import signal
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from clinic.mail import keep


class Catcher:
    """Keeps messages as `<UTC time>-<digest>.eml` in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Take one message; the sender's yes comes after the file is complete."""
        keep(self.folder, envelope.original_content or b"")
        return "250 OK"


def main() -> None:
    """Serve until stopped."""
    folder = Path(os.environ.get("VAR_DIR", "var")) / "mail"
    host = os.environ.get("MAIL_CATCHER_HOST", "127.0.0.1")
    port = int(os.environ.get("MAIL_CATCHER_PORT", "1025"))
    controller = Controller(Catcher(folder), hostname=host, port=port)
    controller.start()
    stopped = asyncio.new_event_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        stopped.add_signal_handler(number, stopped.stop)
    stopped.run_forever()
    controller.stop()


if __name__ == "__main__":
    main()
