"""The worker's Unix socket: one JSON line asked and one answered for each connection, for this machine's user only."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchwarden.daemon.guard.private_socket import private_socket

LONGEST = 65536
CLIENTS = 16
READ_S = 5.0
WRITE_S = 5.0

Handle = Callable[[Mapping[str, Any]], Awaitable[Mapping[str, Any]]]


class WorkerSocket:
    """Serves `handle` at a path until left; a slow, silent or talkative client harms nobody else.

    `handle` gets one request as JSON data and returns its answer; once begun it goes on though its client leaves.
    """

    def __init__(self, path: Path, handle: Handle) -> None:
        self._path, self._handle = path, handle
        self._clients: set[asyncio.Task[None]] = set()
        self._silent: dict[asyncio.StreamReader, None] = {}

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_unix_server(self._serve, sock=private_socket(self._path), limit=LONGEST)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        if self._clients:
            _, slow = await asyncio.wait(set(self._clients), timeout=WRITE_S)
            for task in slow:
                task.cancel()
        self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._clients.add(task)
        try:
            if len(self._clients) > CLIENTS and not self._make_room():
                await _send(writer, {"error": f"{CLIENTS} clients are served at once; try again"})
                return
            answer = await self._answer(reader)
            if answer is not None:
                await _send(writer, answer)
        finally:
            self._clients.discard(task)
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    def _make_room(self) -> bool:
        """Hang up on whoever has been silent longest, so that a STOP always gets in; False if all have asked."""
        for reader in self._silent:
            del self._silent[reader]
            reader.feed_eof()
            return True
        return False

    async def _answer(self, reader: asyncio.StreamReader) -> Mapping[str, Any] | None:
        self._silent[reader] = None
        try:
            async with asyncio.timeout(READ_S):
                line = await reader.readline()
            if not line:
                return None
            request = json.loads(line)
        except (TimeoutError, OSError):
            return None
        except ValueError as error:  # longer than LONGEST, no JSON, no UTF-8
            return {"error": f"not understood ({error}); one line of JSON would be right"}
        finally:
            self._silent.pop(reader, None)
        if not isinstance(request, dict):
            return {"error": f"found a {type(request).__name__}; a JSON object would be right"}
        try:
            return await self._handle(request)
        except Exception as error:  # noqa: BLE001  a request must never take the bays down
            return {"error": f"a fault of this program: {error!r}"}


async def _send(writer: asyncio.StreamWriter, answer: Mapping[str, Any]) -> None:
    with suppress(OSError, TimeoutError):
        writer.write(json.dumps(answer).encode() + b"\n")
        async with asyncio.timeout(WRITE_S):
            await writer.drain()
