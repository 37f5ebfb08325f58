"""People who keep asking pages of web servers that come and go, as a proxy in front passes them on.

Every request carries an id of its own, and the server's log says which of them it answered. So a request that
broke off can be told apart: closed before anything was done with it (HTTP lets a server close a kept line at
any moment, and the sender asks again: RFC 9110, 9.2.2 and RFC 9112, 9.3.1), or done and its answer lost.
"""

import json
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from uuid import uuid4

from tests.faults.office import wait_until


@dataclass
class Told:
    """What became of the requests. `slowest` in seconds, tries on another server included."""

    answered: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    nobody: int = 0
    slowest: float = 0.0


class Visitors:
    """So many threads; each asks `path` of the first port that answers, on lines that are kept."""

    def __init__(
        self, ports: Sequence[int], path: str, *, threads: int = 8, ends: bytes = b"</html>"
    ) -> None:
        self.ports, self.path, self.ends, self.told = list(ports), path, ends, Told()
        self._over, self._lock = threading.Event(), threading.Lock()
        self._threads = [threading.Thread(target=self._visit, daemon=True) for _ in range(threads)]
        for thread in self._threads:
            thread.start()

    def have(self, number: int) -> None:
        """Return when so many more were answered."""
        known = len(self.told.answered)
        wait_until(lambda: len(self.told.answered) >= known + number, "visitors are answered", seconds=30)

    def leave(self) -> Told:
        """Stop asking."""
        self._over.set()
        for thread in self._threads:
            thread.join()
        return self.told

    def _visit(self) -> None:
        lines: dict[int, HTTPConnection] = {}
        while not self._over.is_set():
            began = time.monotonic()
            if any(self._ask(lines, port) for port in list(self.ports)):
                with self._lock:
                    self.told.slowest = max(self.told.slowest, time.monotonic() - began)
            else:
                with self._lock:
                    self.told.nobody += 1
                time.sleep(0.01)

    def _ask(self, lines: dict[int, HTTPConnection], port: int) -> bool:
        name, line = uuid4().hex, lines.get(port)
        try:
            if line is None:
                line = HTTPConnection("127.0.0.1", port, timeout=60)
                line.connect()
                lines[port] = line
        except OSError:
            return False  # nothing was sent
        try:
            line.request("GET", self.path, headers={"X-Request-ID": name})
            answer = line.getresponse()
            whole = answer.read().rstrip().endswith(self.ends) and answer.getheader("X-Request-ID") == name
        except (OSError, HTTPException):
            lines.pop(port).close()
            with self._lock:
                self.told.broken.append(name)
            return False
        with self._lock:
            (self.told.answered if whole and answer.status == 200 else self.told.wrong).append(name)
        return True


def done_by(log: Path) -> set[str]:
    """The ids of the requests whose page a server's log says was made."""
    lines = map(json.loads, (line for line in log.read_text().splitlines() if line.startswith("{")))
    return {str(line["request"]) for line in lines if line.get("view", "none") != "none"}
