"""Many who look at a page at once: clients that read its stream as a browser does, and one that has frozen."""

import http.client
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any


class Viewer:
    """Reads a page's stream (server-sent events) in a thread of its own until it is closed, and keeps what came."""

    def __init__(self, port: int, token: str | None) -> None:
        self.got: list[dict[str, Any]] = []
        self.ended = False
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)
        self._connection.request("GET", "/api/stream", headers=_headers(token))
        self._answer = self._connection.getresponse()
        assert self._answer.status == 200
        assert self._connection.sock is not None
        self._socket = self._connection.sock
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        with suppress(OSError, ValueError, AttributeError, http.client.HTTPException):
            for line in self._answer:
                if line.startswith(b"data: "):
                    self.got.append(json.loads(line.removeprefix(b"data: ")))
        self.ended = True

    def samples(self, bay: str) -> list[int]:
        """Return the numbers of a bay's samples, as they came."""
        return [one["seq"] for one in list(self.got) if one["kind"] == "sample" and one["bay"] == bay]

    def close(self) -> None:
        """Go."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(5.0)
        self._connection.close()


def _headers(token: str | None) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"} if token else {}


def frozen(port: int, token: str | None) -> socket.socket:
    """Return the connection of a browser that asked for the stream and never reads it."""
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    client.connect(("127.0.0.1", port))
    lines = [f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}"]
    lines += [f"{name}: {value}" for name, value in _headers(token).items()]
    client.sendall("\r\n".join([*lines, "", ""]).encode())
    return client


@contextmanager
def viewers(count: int, port: int, token: str | None = None) -> Iterator[list[Viewer]]:
    """Let so many look meanwhile."""
    with ExitStack() as around:
        made = []
        for _ in range(count):
            made.append(Viewer(port, token))
            around.callback(made[-1].close)
        yield made


def pages_open(port: int, token: str | None = None) -> int:
    """Return how many pages the server says are open."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10.0)
    try:
        connection.request("GET", "/api/status", headers=_headers(token))
        return int(json.loads(connection.getresponse().read())["pages"])
    finally:
        connection.close()
