"""A mail server that takes everything: `python -m benchmarks.mail_sink PORT MILLISECONDS_A_MAIL`."""

import asyncio
import sys

from aiosmtpd.smtp import SMTP, Envelope, Session


class Takes:
    """Says 250 to every mail after so many seconds, during which other connections are served."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        """aiosmtpd's hook."""
        if self._seconds:
            await asyncio.sleep(self._seconds)
        return "250 OK"


async def main(port: int, seconds: float) -> None:
    """Serve until the process is ended."""
    server = await asyncio.get_running_loop().create_server(lambda: SMTP(Takes(seconds)), "127.0.0.1", port)
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), float(sys.argv[2]) / 1000))
