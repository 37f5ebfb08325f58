"""A gateway over HTTPS: each text is one POST of JSON. The format is ours and open (docs/text-gateway.md), so
that an operator can put a small adapter before any seller's service.

Every attempt of one message carries the same `Idempotency-Key`: a gateway that has seen it sends nothing and
answers as it did the first time. So a connection that breaks after the sending has begun may be tried again
without a second text (draft-ietf-httpapi-idempotency-key-header, from memory, is the usual practice).
"""

import json
import re
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from threading import Timer
from typing import Any
from urllib.parse import urlsplit
from uuid import NAMESPACE_URL, uuid5

from resupply.delivery.texts.providers import Text
from resupply.rules.sending import Answer, Outcome

CONNECT_SECONDS = 5
ANSWER_SECONDS = 10
"""A whole request, however slowly its answer drips: one begun late still ends within the time of its task."""
LONGEST_ANSWER = 64 * 1024
_OURS = frozenset({401, 402, 403, 404, 405, 407})
"""Our own account or address is refused, whoever the patient is: nothing was tried, the message waits."""
_LATER = frozenset({408, 409, 425, 429})
_STALE = frozenset({"RemoteDisconnected", "ConnectionResetError", "BrokenPipeError"})
"""How a kept connection fails that the gateway closed meanwhile."""


class GatewayProvider:
    """One kept connection to a gateway, for a batch."""

    def __init__(self, url: str, *, secret: str) -> None:
        self._url = urlsplit(url)
        self._secret = secret
        self._connection: HTTPConnection | None = None

    def send(self, text: Text) -> Answer:
        """Hand a text over; one that a stale connection lost is sent once more under the same key."""
        was_kept = self._connection is not None
        answer = self._try(text)
        if was_kept and answer.detail in _STALE:
            answer = self._try(text)
        return answer

    def close(self) -> None:
        """Let go of the connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _try(self, text: Text) -> Answer:
        try:
            connection = self._connected()
        except OSError as error:  # includes ssl.SSLError and time-outs: nothing has been sent
            self.close()
            return Answer(Outcome.UNREACHABLE, type(error).__name__)
        try:
            with _within(connection, ANSWER_SECONDS):
                connection.request("POST", self._path, _body(text), self._headers(text))
                response = connection.getresponse()
                content = response.read(LONGEST_ANSWER)
                if not response.isclosed():
                    self.close()  # more than anybody needs, or never ending
        except (OSError, HTTPException) as error:
            self.close()
            return Answer(Outcome.UNSURE, type(error).__name__)
        return sort(response.status, content)

    def _connected(self) -> HTTPConnection:
        """The kept connection, or a new one that is open."""
        if self._connection is None or self._connection.sock is None:
            host, port = self._url.hostname or "", self._url.port
            if self._url.scheme == "https":
                context = ssl.create_default_context()
                context.minimum_version = ssl.TLSVersion.TLSv1_2
                self._connection = HTTPSConnection(host, port, timeout=CONNECT_SECONDS, context=context)
            else:  # this machine, in the demo: settings allow no other
                self._connection = HTTPConnection(host, port, timeout=CONNECT_SECONDS)
            self._connection.connect()
            self._connection.sock.settimeout(ANSWER_SECONDS)
        return self._connection

    @property
    def _path(self) -> str:
        return (self._url.path or "/") + (f"?{self._url.query}" if self._url.query else "")

    def _headers(self, text: Text) -> dict[str, str]:
        return {
            "Content-Type": "application/json",
            "Accept": "application/json",
            "Authorization": f"Bearer {self._secret}",
            "Idempotency-Key": idempotency_key(text.key),
        }


def idempotency_key(key: str) -> str:
    """The key of a message for the gateway: one for ever, and not the name under which we keep it."""
    return str(uuid5(NAMESPACE_URL, f"urn:uuid:{key}"))


def sort(status: int, content: bytes) -> Answer:
    """What an HTTP answer means for the message."""
    said = _json(content)
    detail = f"HTTP {status} {_code(said.get('code'))}".strip()
    if 200 <= status < 300:
        return Answer(Outcome.ACCEPTED, reference=_reference(said.get("reference")))
    if status in _OURS or 300 <= status < 400:
        return Answer(Outcome.UNREACHABLE, detail)
    if status in _LATER or not 400 <= status < 500:
        return Answer(Outcome.LATER, detail)
    return Answer(Outcome.REFUSED, detail)


def _body(text: Text) -> bytes:
    return json.dumps({"to": text.to, "from": text.sender, "text": text.body}).encode()


def _json(content: bytes) -> dict[str, Any]:
    """An answer's JSON object; anything else says nothing."""
    try:
        said = json.loads(content)
    except (ValueError, RecursionError):
        return {}
    return said if isinstance(said, dict) else {}


def _code(said: object) -> str:
    """A gateway's code in small letters, such as `unknown_number`; anything else may hold personal data."""
    return said if isinstance(said, str) and re.fullmatch(r"[a-z][a-z_]{0,39}", said) else ""


def _reference(said: object) -> str:
    """The gateway's own name for a text: up to 128 visible characters; without one no report can come."""
    return said if isinstance(said, str) and re.fullmatch(r"[!-~]{1,128}", said) else ""


@contextmanager
def _within(connection: HTTPConnection, seconds: float) -> Iterator[None]:
    """Break a connection off that has not answered in full by then: time-outs start anew at each byte."""
    timer = Timer(seconds, _break_off, [connection.sock])
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _break_off(sock: socket.socket) -> None:
    with suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)
