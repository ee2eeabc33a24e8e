"""A line to something in this process that answers a message at once: for simulated benches and tests."""

import asyncio
from collections.abc import Callable

from benchwarden.drivers.line import LineDead, LineSilent, check_text


class MemoryLine:
    """A line to `handle(message) -> reply or None`, called at once in the caller's task.

    An OSError that `handle` raises is a dead line; another exception is a fault of `handle` and passes
    through. A question without reply takes its whole timeout, as on a wire.
    """

    instant = True

    def __init__(self, handle: Callable[[str], str | None], name: str = "MEMORY") -> None:
        self._handle = handle
        self._name = name
        self._usable = False
        self._unasked: str | None = None

    async def open(self) -> None:
        """Open the line."""
        self._usable = True
        self._unasked = None

    async def ask(self, text: str, timeout_s: float) -> str:
        """Return what the other end answers. Raises LineSilent after `timeout_s` without reply, LineDead."""
        reply = self._say(text)
        if reply is None:
            self._usable = False
            await asyncio.sleep(timeout_s)
            raise LineSilent(f"{self._name}: no reply to {text!r} within {timeout_s:g} s")
        return reply

    async def tell(self, text: str, timeout_s: float) -> None:
        """Send one line that is not answered. Raises LineDead."""
        self._unasked = self._say(text)

    async def close(self) -> None:
        """Close the line; never raises."""
        self._usable = False

    def _say(self, text: str) -> str | None:
        if not self._usable:
            raise LineDead(f"{self._name}: is not open")
        if self._unasked is not None:
            self._usable = False
            raise LineDead(f"{self._name}: spoke out of turn: {self._unasked[:80]!r}")
        check_text(text, self._name)
        try:
            return self._handle(text)
        except OSError as error:
            self._usable = False
            raise LineDead(f"{self._name}: {error.strerror or error}") from error
