"""A mail server that counts what it takes, and has moods: it refuses, is slow, or cuts the line."""

import asyncio
import threading
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from email import message_from_bytes, policy
from random import Random, SystemRandom
from typing import Any

from aiosmtpd.smtp import SMTP, Envelope, Session

from clinic import servers

MOODS = {
    "takes": "takes every mail",
    "refuses": "says 451, not now, and keeps nothing",
    "unhurried": "takes the mail and says so a twentieth of a second later",
    "slow": "takes the mail and says so half a second later",
    "sleeps": "takes the mail and says so after the sender's time-out",
    "cuts after": "takes the mail, says 250, and closes the connection",
    "cuts before": "takes the mail and closes the connection without a word",
    "hangs up": "closes the connection as soon as a mail is announced",
}


@dataclass(frozen=True, slots=True)
class Taken:
    """One mail the server has: when, for whom, under which Message-ID."""

    at: float
    address: str
    message_id: str


def quiet_port() -> int:
    """A free port below those that the system gives to outgoing connections: one of these, tried while nobody
    listens, can connect to itself and then keeps the port.
    """
    while True:
        port = SystemRandom().randrange(20_000, 30_000)
        if servers.free_port(port) == port:
            return port


class Office:
    """An SMTP server in a thread of this process; `mood` holds for a `share` of mails, drawn at random."""

    def __init__(self, *, random: Random, sleep: float) -> None:
        self.taken: list[Taken] = []
        self.mood, self.share = "takes", 1.0
        self.port = quiet_port()
        self._random, self._sleep = random, sleep
        self._loop = asyncio.new_event_loop()
        self._server: asyncio.Server | None = None
        self._lines: list[SMTP] = []
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.open()

    @property
    def url(self) -> str:
        """For EMAIL_URL."""
        return f"smtp://127.0.0.1:{self.port}"

    def open(self) -> None:
        """Listen."""
        self._run(self._open())

    def shut(self) -> None:
        """Refuse connections, and cut those that stand."""
        self._run(self._shut())

    def close(self) -> None:
        """End for good."""
        self.shut()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def feels(self, mood: str, share: float = 1.0) -> None:
        """Change the mood."""
        assert mood in MOODS
        self.mood, self.share = mood, share

    def _run(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(timeout=20)

    async def _open(self) -> None:
        self._server = await self._loop.create_server(self._answer, "127.0.0.1", self.port)

    async def _shut(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for line in self._lines:
            if line.transport is not None:
                line.transport.abort()
        self._lines.clear()
        await asyncio.sleep(0.05)  # the aborted sessions end

    def _answer(self) -> SMTP:
        line = SMTP(self, loop=self._loop)
        self._lines.append(line)
        return line

    def _mood_now(self) -> str:
        return self.mood if self._random.random() < self.share else "takes"

    # aiosmtpd's hooks
    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.mood == "hangs up" and self._mood_now() == "hangs up":
            server.transport.abort()
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address.startswith("unknown-"):
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        mood = self._mood_now()
        if mood == "refuses":
            return "451 not now"
        assert isinstance(envelope.content, bytes)
        mail = message_from_bytes(envelope.content, policy=policy.default)
        for address in envelope.rcpt_tos:
            self.taken.append(Taken(time.time(), address, str(mail["Message-ID"])))
        await self._behave(mood, server)
        return "250 OK"

    async def _behave(self, mood: str, server: SMTP) -> None:
        if mood in {"unhurried", "slow"}:
            await asyncio.sleep(0.05 if mood == "unhurried" else 0.5)
        elif mood == "sleeps":
            await asyncio.sleep(self._sleep)
        elif mood == "cuts before":
            server.transport.abort()
        elif mood == "cuts after":
            self._loop.call_later(0.001, server.transport.close)  # what was written goes out first


def wait_until(holds: Callable[[], object], what: str, *, seconds: float = 120) -> float:
    """Return as soon as something holds, with the seconds it took; fail with its name after so many."""
    began = time.monotonic()
    while not holds():
        assert time.monotonic() - began < seconds, f"not within {seconds:.0f} seconds: {what}"
        time.sleep(0.05)
    return time.monotonic() - began
