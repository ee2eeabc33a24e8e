"""Puts a step's question to the person at the terminal, and waits without holding anything up."""

import asyncio
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Self


class Desk:
    """Reads answers line by line from standard input; one question at a time is open to the person."""

    def __init__(self, note: Callable[[str], None]) -> None:
        self._note = note
        self._lines: asyncio.Queue[str] = asyncio.Queue()
        self._turn = asyncio.Lock()
        self._pending = b""
        self._listening = False

    async def __aenter__(self) -> Self:
        # A file or /dev/null as standard input cannot be listened to, and nobody sits behind it.
        with suppress(OSError, ValueError):
            asyncio.get_running_loop().add_reader(sys.stdin.fileno(), self._read)
            self._listening = True
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop_listening()

    async def ask(self, text: str, answers: tuple[str, ...]) -> str:
        """Show a question and return the first line that is one of its answers, in lower case."""
        async with self._turn:
            choices = " or ".join(answers) or "any text"
            self._note(f"{text} [{choices}]")
            if not self._listening:
                self._note("nobody can answer: standard input is no terminal and no pipe")
            while True:
                answer = (await self._lines.get()).strip().lower()
                if answer and (not answers or answer in answers):
                    return answer
                self._note(f"{answer!r} is no answer here; right would be {choices}")

    def _read(self) -> None:
        try:
            block = os.read(sys.stdin.fileno(), 4096)
        except OSError:  # a process in the background may not read its terminal
            block = b""
        if not block:
            self._stop_listening()
            return
        *lines, self._pending = (self._pending + block).split(b"\n")
        for line in lines:
            self._lines.put_nowait(line.decode("utf-8", "replace"))

    def _stop_listening(self) -> None:
        if self._listening:
            asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
            self._listening = False
