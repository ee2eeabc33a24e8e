"""The worker's live feed: a Unix socket that tells its readers what happens, and never waits for one of them.

One JSON object a line; daemon/serving/messages.py has their form. A reader that is slow loses its oldest samples and is
told how many; it can take up what it missed from the run folders. A reader says nothing.
"""

import asyncio
import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchwarden.daemon.guard.private_socket import private_socket

READERS = 8
# Per reader; at 10 samples a second more than three minutes.
LONGEST = 2000
HANG_UP_S = 2.0


class Reader:
    """What one reader has still to get, at most `LONGEST` lines: the oldest samples make room for what is new."""

    def __init__(self, longest: int = LONGEST) -> None:
        self._longest = longest
        self._lines: deque[tuple[bool, bytes]] = deque()
        self.dropped = 0

    def put(self, line: bytes, *, sample: bool) -> None:
        """Keep one line; `sample`: it may be left out when there is too much."""
        if len(self._lines) >= self._longest:
            self._drop_one()
        self._lines.append((sample, line))

    def _drop_one(self) -> None:
        place = next((place for place, (sample, _) in enumerate(self._lines) if sample), 0)
        del self._lines[place]
        self.dropped += 1

    def take(self) -> bytes:
        """Return all that waits, and how much was left out before it."""
        left_out = [_line({"kind": "dropped", "count": self.dropped})] if self.dropped else []
        self.dropped = 0
        text = b"".join([*left_out, *(line for _, line in self._lines)])
        self._lines.clear()
        return text


class Feed:
    """Serves the feed at a path until left; `greeting` gives the messages that a new reader gets first.

    Every `tell_…` may be called from the loop's thread only, and returns at once.
    """

    def __init__(self, path: Path, greeting: Callable[[], Iterable[Mapping[str, Any]]]) -> None:
        self._path, self._greeting = path, greeting
        self._readers: dict[Reader, asyncio.Event] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_unix_server(self._serve, sock=private_socket(self._path))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        for event in self._readers.values():
            event.set()
        if self._tasks:
            await asyncio.sleep(0)  # what was told last may still go out
        for task in list(self._tasks):
            task.cancel()
        if self._tasks:
            await asyncio.wait(set(self._tasks), timeout=HANG_UP_S)
        self._path.unlink(missing_ok=True)

    @property
    def heard(self) -> bool:
        """Whether anybody reads; what nobody reads need not be put into words."""
        return bool(self._readers)

    def tell(self, message: Mapping[str, Any]) -> None:
        """Tell every reader; a message of kind "sample" is what a slow one loses first."""
        if not self._readers:
            return
        line, sample = _line(message), message.get("kind") == "sample"
        for reader, awake in self._readers.items():
            reader.put(line, sample=sample)
            awake.set()

    async def _serve(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        reader, awake = Reader(), asyncio.Event()
        try:
            if len(self._readers) >= READERS:
                writer.write(_line({"kind": "error", "error": f"{READERS} readers are served at once"}))
                return
            for message in self._greeting():
                reader.put(_line(message), sample=False)
            awake.set()
            self._readers[reader] = awake
            while True:
                await awake.wait()
                awake.clear()
                writer.write(reader.take())
                await writer.drain()
        except (OSError, asyncio.CancelledError):
            pass  # it has gone, or the worker leaves
        finally:
            self._readers.pop(reader, None)
            self._tasks.discard(task)
            writer.close()
            with suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()


def _line(message: Mapping[str, Any]) -> bytes:
    return json.dumps(message, allow_nan=False, separators=(",", ":")).encode() + b"\n"
