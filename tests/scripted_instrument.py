"""A scripted far end for lines: a TCP server, or a function in memory, that answers from a small table."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

Answer = Callable[[str, "Talk"], bytes | None]


class Talk:
    """One connection: what it said, and the means to misbehave on it."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer

    def send(self, data: bytes) -> None:
        self.writer.write(data)

    def reset(self) -> None:
        self.writer.transport.abort()

    def finish(self) -> None:
        self.writer.close()


class Server:
    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.heard: list[str] = []
        self.talks: list[Talk] = []
        self.port = 0
        self.all_left = asyncio.Event()
        self._open = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talk = Talk(writer)
        self.talks.append(talk)
        self._open += 1
        self.all_left.clear()
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            while line := await reader.readline():
                text = line.decode("ascii").rstrip("\r\n")
                self.heard.append(text)
                reply = self.answer(text, talk)
                if reply is not None:
                    writer.write(reply)
        writer.close()
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            await writer.wait_closed()
        self._open -= 1
        if self._open == 0:
            self.all_left.set()


@contextlib.asynccontextmanager
async def serving(answer: Answer) -> AsyncIterator[Server]:
    server = Server(answer)
    listener = await asyncio.start_server(server.serve, "127.0.0.1", 0)
    server.port = listener.sockets[0].getsockname()[1]
    try:
        yield server
    finally:
        listener.close()
        await listener.wait_closed()
        for talk in server.talks:
            talk.reset()
        async with asyncio.timeout(60.0):
            await server.all_left.wait()


class Settings:
    """An instrument in memory that keeps what it is set to: `header value` sets, `header?` tells.

    Compound messages, an error queue, and a table of answers that go before all else.
    """

    def __init__(self, fixed: dict[str, str] | None = None, identity: str = "SHED,BOX,7,1.0") -> None:
        self.fixed = fixed or {}
        self.identity = identity
        self.values: dict[str, str] = {}
        self.errors: list[str] = []
        self.heard: list[str] = []
        self.silent = False
        self.refused: set[str] = set()
        self.largest: dict[str, float] = {}

    def __call__(self, message: str) -> str | None:
        self.heard.append(message)
        if self.silent:
            return None
        if message in self.fixed:
            return self.fixed[message]
        replies = [reply for unit in message.split(";") if (reply := self._unit(unit.lstrip(":"))) is not None]
        return ";".join(replies) if replies else None

    def _unit(self, unit: str) -> str | None:
        header, _, value = unit.partition(" ")
        if unit in self.fixed:
            return self.fixed[unit]
        if unit == "*IDN?":
            return self.identity
        if header.upper() in ("SYST:ERR?", "SYSTEM:ERROR?"):
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if header in self.refused:
            self.errors.append('-222,"Data out of range;refused"')
            return None
        if header.endswith("?"):
            return self.values.get(header[:-1], "0")
        if header in self.largest:  # the silent clipping that read-back must find
            value = f"{min(float(value), self.largest[header]):.4f}"
        self.values[header] = value
        return None
