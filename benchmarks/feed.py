"""A calendar feed, whole (200) and unchanged (304), against a view with one indexed query on the same server.

The server is the one of the process table with one worker, asked one request after the other over a
connection that is kept open; the three take turns.
"""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from statistics import median

from benchmarks import databases
from benchmarks.measure import Result
from clinic import servers
from resupply import clock
from resupply.models import Dispense, Patient
from resupply.queries.feeds import token_hash
from resupply.services import feeds, plans

ROOT = Path(__file__).resolve().parents[1]
ROUNDS, REQUESTS = 9, 200


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """In a copy of the smallest database: one row is read, whatever their number."""
    with databases.copied(sizes[0]):
        now = clock.now()
        patient = Patient.objects.get(pk=Dispense.objects.values_list("patient", flat=True)[0])
        plans.refresh_plans([patient.pk], now=now)
        issued = feeds.subscribe(patient, feeds.Options(), by=None, now=now)
        written = feeds.render(issued.subscription.pk, now=now)
        assert written is not None
        feed = f"/cal/{issued.token}.ics"
        asks = {
            "feed, 200": _ask(feed),
            "feed, 304": _ask(feed, f'If-None-Match: "{written.etag}"\r\n'),
            "one query": _ask(f"/bench/{token_hash(issued.token)}"),
        }
        with _server() as port:
            took = {name: round(ms, 3) for name, ms in _in_turns(port, asks).items()}
        for name in ("feed, 200", "feed, 304"):
            what = f"{name}, {len(written.body):,} bytes, ms a request"
            yield Result(
                what, took[name], took["one query"], "a view with one indexed query", round(1 / 0.9, 3)
            )


def _ask(path: str, header: str = "") -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: localhost\r\n{header}\r\n".encode()


@contextmanager
def _server() -> Iterator[int]:
    port = servers.free_port()
    words = [sys.executable, "-m", "granian", "--interface", "wsgi", "--no-ws", "--workers", "1"]
    words += ["--blocking-threads", "4", "--no-access-log", "--host", "127.0.0.1", "--port", str(port)]
    variables = os.environ | {"DATABASE_URL": databases.url(), "DB_POOL": "4"}
    process = subprocess.Popen(
        [*words, "benchmarks.feed_site:application"], cwd=ROOT, env=variables, stdout=subprocess.DEVNULL
    )
    try:
        servers.wait_for_port(port)
        yield port
    finally:
        process.terminate()
        process.wait()


def _in_turns(port: int, asks: dict[str, bytes]) -> dict[str, float]:
    """Milliseconds a request, median over rounds."""
    taken: dict[str, list[float]] = {name: [] for name in asks}
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        for number in range(ROUNDS + 1):
            for name, ask in asks.items():
                began = time.perf_counter()
                for _ in range(REQUESTS):
                    _answer(line, ask, b"304" if name.endswith("304") else b"200")
                if number:  # the first round warms up
                    taken[name].append((time.perf_counter() - began) * 1000 / REQUESTS)
    return {name: median(times) for name, times in taken.items()}


def _answer(line: socket.socket, ask: bytes, status: bytes) -> None:
    """Send a request and read its whole answer."""
    line.sendall(ask)
    data = b""
    while b"\r\n\r\n" not in data:
        data += _more(line)
    head, _, body = data.partition(b"\r\n\r\n")
    if head.split(b" ", 2)[1] != status:
        raise RuntimeError(f"answered {head.splitlines()[0]!r}")
    if status == b"304":
        return
    headers = dict(header.split(b":", 1) for header in head.lower().splitlines()[1:])
    while len(body) < int(headers[b"content-length"]):
        body += _more(line)


def _more(line: socket.socket) -> bytes:
    """What comes next of an answer; a server that hung up sends nothing for ever."""
    data = line.recv(65536)
    if not data:
        raise ConnectionError("the server closed the line amid an answer")
    return data
