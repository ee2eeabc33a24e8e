"""The guardian's own Unix socket: it knows `stop` and `status`, one JSON line asked and one answered a connection."""

import json
import os
import select
import socket
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchwarden.daemon.state_folder import StateRefused

LONGEST = 4096
CLIENTS = 16


class Desk:
    """Takes requests without ever waiting for a client; without a path it takes none.

    Entering raises StateRefused where the socket cannot be made.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._listening: socket.socket | None = None
        self._clients: dict[socket.socket, bytes] = {}
        self._asked: set[socket.socket] = set()

    def __enter__(self) -> Self:
        if self._path:
            self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            before = os.umask(0o177)
            try:
                self._path.unlink(missing_ok=True)
                self._listening.bind(str(self._path))
            except OSError as error:
                self._listening.close()
                raise StateRefused(f"{self._path}: {error.strerror}; a folder of our own would be right") from error
            finally:
                os.umask(before)
            self._listening.listen(CLIENTS)
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
                with suppress(OSError):
                    client, _ = self._listening.accept()
                    client.setblocking(False)
                    self._make_room()
                    if len(self._clients) < CLIENTS:
                        self._clients[client] = b""
                    else:
                        client.close()
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

    def _make_room(self) -> None:
        """Hang up on whoever has been silent longest, so that a STOP always gets in."""
        silent = [client for client in self._clients if client not in self._asked]
        if len(self._clients) >= CLIENTS and silent:
            self.hang_up(silent[0])
