"""The guardian's own Unix socket: it knows `stop` and `status`, one JSON line asked and one answered a connection."""

import json
import select
import socket
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchwarden.daemon.guard.private_socket import private_socket

LONGEST = 4096
CLIENTS = 16


class DeskRefused(Exception):
    """The socket cannot be made; the message says where and what would be right."""


class Desk:
    """Takes requests without ever waiting for a client; without a path it takes none.

    Entering raises DeskRefused where the socket cannot be made.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._listening: socket.socket | None = None
        self._clients: dict[socket.socket, bytes] = {}
        self._asked: set[socket.socket] = set()

    def __enter__(self) -> Self:
        if self._path:
            try:
                self._listening = private_socket(self._path)
            except OSError as error:
                raise DeskRefused(f"{self._path}: {error.strerror}; a folder of our own would be right") from error
            self._listening.listen(8 * CLIENTS)
            self._listening.setblocking(False)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for client in self._clients:
            client.close()
        if self._listening and self._path:
            self._listening.close()
            self._path.unlink(missing_ok=True)

    @property
    def descriptors(self) -> list[socket.socket]:
        """What to wait for beside other things."""
        return [*([self._listening] if self._listening else []), *self._clients]

    def requests(self) -> list[tuple[socket.socket, dict[str, Any]]]:
        """Return what clients have asked since the last call; whoever talks nonsense is hung up on."""
        found: list[tuple[socket.socket, dict[str, Any]]] = []
        ready, _, _ = select.select(self.descriptors, [], [], 0.0)
        for one in ready:
            if one is self._listening:
                with suppress(OSError):  # until nobody waits any more
                    while True:
                        self._welcome(self._listening.accept()[0])
                continue
            if one not in self._clients:
                continue  # it had to make room a moment ago
            try:
                block = one.recv(LONGEST)
            except OSError:
                block = b""
            text = self._clients[one] + block
            if not block or len(text) > LONGEST:
                self.hang_up(one)
            elif b"\n" in text:
                self._clients[one] = b""
                try:
                    request = json.loads(text.split(b"\n", 1)[0])
                except ValueError:
                    request = None
                if isinstance(request, dict):
                    self._asked.add(one)
                    found.append((one, request))
                else:
                    self.hang_up(one)
            else:
                self._clients[one] = text
        return found

    def answer(self, client: socket.socket, data: dict[str, Any]) -> None:
        """Answer one client and hang up; a client that has gone changes nothing."""
        with suppress(OSError):
            client.send(json.dumps(data).encode() + b"\n")
        self.hang_up(client)

    def hang_up(self, client: socket.socket) -> None:
        """Forget a client."""
        self._clients.pop(client, None)
        self._asked.discard(client)
        client.close()

    def _welcome(self, client: socket.socket) -> None:
        """Take a client; whoever has been silent longest makes room, so that a STOP always gets in."""
        client.setblocking(False)
        silent = [other for other in self._clients if other not in self._asked]
        if len(self._clients) >= CLIENTS and silent:
            self.hang_up(silent[0])
        if len(self._clients) < CLIENTS:
            self._clients[client] = b""
        else:
            client.close()
