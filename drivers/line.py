"""The wire to one instrument: what every line offers, and the two ways in which it fails.

A line knows nothing of SCPI: it carries one text out and, where one is expected, one text back. Its caller
makes sure that one exchange runs at a time.
"""

import asyncio
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol


class LineError(Exception):
    """A line did not carry an exchange; the message names the line, what was sent and what happened."""


class LineSilent(LineError):
    """No whole reply came in time. The line must be closed: a late reply would answer the next question."""


class LineDead(LineError):
    """Refused, ended, reset, unplugged, out of step, or anything unknown: closed, or must be."""


class Line(Protocol):
    """One wire to one instrument, one exchange at a time.

    Texts are ASCII and carry no terminator. Times are seconds: the running loop's clock, real seconds for
    VISA. After any `LineError`, and after a cancelled exchange, the line refuses work until closed and opened
    again.
    """

    instant: bool
    """True if an answered exchange never suspends, so that nothing can come between question and reply."""

    async def open(self) -> None:
        """Open the line. Raises LineDead. Proves nothing about who is at the other end."""
        ...

    async def ask(self, text: str, timeout_s: float) -> str:
        """Send one line and return the one line that answers it. Raises LineSilent, LineDead."""
        ...

    async def tell(self, text: str, timeout_s: float) -> None:
        """Send one line that is not answered.

        Returning proves nothing about its arrival. Raises LineError.
        """
        ...

    async def close(self) -> None:
        """Close the line; never raises, and may be called again."""
        ...


def in_flight() -> AbstractContextManager[object]:
    """Tell the running loop that an answer is on its way from outside it.

    A loop whose clock jumps to its next timer offers `away()` and does not jump while it is held; other loops
    need nothing.
    """
    away = getattr(asyncio.get_running_loop(), "away", None)
    if away is None:
        return nullcontext()
    held: AbstractContextManager[object] = away()
    return held


def check_text(text: str, name: str) -> bytes:
    """Return `text` as bytes; raises ValueError if it is not one line of ASCII."""
    if "\n" in text or "\r" in text or not text.isascii():
        raise ValueError(f"{name}: a message is one line of ASCII without terminator, not {text!r}")
    return text.encode("ascii")
