"""Reads the worker's feed and keeps what is newest; the worker may end, restart or be late."""

import asyncio
import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

AGAIN_S = 1.0
LONGEST_LINE = 1 << 20

Message = Mapping[str, Any]


class FeedReader:
    """Hands every message of the feed to each of its listeners, in the order in which they were told.

    `states` and `samples` hold the newest of each bay. `connected` tells whether the worker is there; when it is lost,
    listeners get {"kind": "lost"}, and {"kind": "found"} before the first message after it is there again.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.listeners: list[Callable[[Message], None]] = []
        self.states: dict[str, Message] = {}
        self.samples: dict[str, Message] = {}
        self.connected = False

    async def keep_reading(self) -> None:
        """Read for ever, and connect again whenever the feed ends."""
        while True:
            with suppress(OSError, asyncio.IncompleteReadError, ValueError):
                await self._read()
            if self.connected:
                self.connected = False
                self._hand_on({"kind": "lost"})
            await asyncio.sleep(AGAIN_S)

    async def _read(self) -> None:
        reader, writer = await asyncio.open_unix_connection(str(self._path), limit=LONGEST_LINE)
        try:
            self.connected = True
            self._hand_on({"kind": "found"})
            while line := await reader.readline():
                self._take(json.loads(line))
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    def _take(self, message: Message) -> None:
        if message["kind"] == "state":
            self.states[message["bay"]] = message
            if message["run"] is None:
                self.samples.pop(message["bay"], None)
        elif message["kind"] == "sample":
            self.samples[message["bay"]] = message
        self._hand_on(message)

    def _hand_on(self, message: Message) -> None:
        for listener in self.listeners:
            listener(message)
