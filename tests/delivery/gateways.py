"""A gateway of text messages in this process: a real HTTP server whose answers the test chooses."""

import json
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass
class Taken:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: Any


@dataclass
class Gateway:
    """Answers each request by `answer` (status, content); texts are kept once for each idempotency key.

    `fault` is asked before the answer: it may wait, or return True to have the connection cut after the text
    was taken.
    """

    answer: Callable[[Taken], tuple[int, Any]] = lambda taken: (202, {"reference": f"ref-{taken.body['to']}"})
    fault: Callable[[Taken], bool] = lambda taken: False
    requests: list[Taken] = field(default_factory=list)
    texts: dict[str, Taken] = field(default_factory=dict)
    connections: int = 0
    url: str = ""

    def __enter__(self) -> "Gateway":
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_port}/v1/texts"
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()
        return self

    def __exit__(self, *error: object) -> None:
        self._server.shutdown()
        self._server.server_close()


def _handler(gateway: Gateway) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def setup(self) -> None:
            super().setup()
            gateway.connections += 1

        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            taken = Taken(self.path, {name.lower(): value for name, value in self.headers.items()}, body)
            gateway.requests.append(taken)
            status, content = gateway.answer(taken)
            if status < 300:
                gateway.texts.setdefault(taken.headers["idempotency-key"], taken)
            if gateway.fault(taken):
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            data = content if isinstance(content, bytes) else json.dumps(content).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(data)))
            if 300 <= status < 400:
                self.send_header("Location", "https://elsewhere.example/")
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *words: object) -> None:
            """Say nothing."""

    return Handler
