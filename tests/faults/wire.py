"""The line to the queue: a TCP relay that can go half open, taking what is sent and answering nothing."""

import contextlib
import selectors
import socket
import threading


class Wire:
    """Passes bytes between a port of its own and a target on this machine, in one thread."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._other: dict[socket.socket, socket.socket | None] = {}
        self.is_half_open = False
        self._is_over = False
        self._thread = threading.Thread(target=self._relay, daemon=True)
        self._thread.start()

    def half_open(self) -> None:
        """From now on swallow everything; lines that stand stay up, new ones are accepted."""
        self.is_half_open = True

    def mend(self) -> None:
        """Pass on again. Lines of the time between stay dead, as they are after a fault of a network."""
        self.is_half_open = False

    def close(self) -> None:
        """End for good."""
        self._is_over = True
        self._thread.join(timeout=10)
        for end in [self._listener, *self._other]:
            end.close()
        self._selector.close()

    def _relay(self) -> None:
        while not self._is_over:
            for key, _ in self._selector.select(timeout=0.1):
                end = key.fileobj
                assert isinstance(end, socket.socket)
                if end is self._listener:
                    self._accept()
                elif end in self._other:
                    self._pass_on(end)

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        far = None
        if not self.is_half_open:
            try:
                far = socket.create_connection(("127.0.0.1", self._target), timeout=2)
            except OSError:
                near.close()
                return
            self._know(far, near)
        self._know(near, far)

    def _know(self, end: socket.socket, other: socket.socket | None) -> None:
        self._other[end] = other
        self._selector.register(end, selectors.EVENT_READ)

    def _pass_on(self, end: socket.socket) -> None:
        other = self._other[end]
        try:
            said = end.recv(65536)
            if said and self.is_half_open:
                self._other[end] = None  # what was swallowed is missing for ever: this line is dead
                if other is not None:
                    self._other[other] = None
            elif said and other is not None:
                other.sendall(said)
        except OSError:
            said = b""
        if not said:
            for one in (end, other):
                self._forget(one)

    def _forget(self, end: socket.socket | None) -> None:
        if end is not None and end in self._other:
            del self._other[end]
            self._selector.unregister(end)
            with contextlib.suppress(OSError):
                end.close()
