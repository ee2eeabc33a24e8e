"""A TCP proxy between program and simulated instrument that does to the wire what a person, a switch or mains can do.

It runs on a thread of its own, so that a test may block or run a loop beside it. Real seconds only.
"""

import asyncio
import contextlib
import socket
import struct
import threading
from collections.abc import Coroutine, Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

T = TypeVar("T")
BLOCK = 65536
LOOK_S = 0.005


@dataclass(slots=True)
class Faults:
    """What the wire does to the bytes; nothing unless told so. May be changed at any time, from any thread.

    `delay_s`: replies come that much later. `cut_at` and `gap_s`: so many bytes of a reply at once, the rest after the
    gap; the next `cuts` replies only, if that is set. `swallow_orders`, `swallow_replies`: bytes of that direction are
    read and lost. `hold`: no byte moves in either direction, and none is lost. `answerless`: who connects is accepted,
    but never gets through to the instrument.
    """

    delay_s: float = 0.0
    cut_at: int | None = None
    gap_s: float = 0.0
    cuts: int | None = None
    swallow_orders: bool = False
    swallow_replies: bool = False
    hold: bool = False
    answerless: bool = False

    def cut(self) -> int | None:
        """Return where the reply in hand is cut, and count it."""
        if self.cut_at is None or self.cuts == 0:
            return None
        if self.cuts is not None:
            self.cuts -= 1
        return self.cut_at


@dataclass(slots=True)
class Connection:
    """One client's way through the proxy. `faults` are the proxy's own, unless a test gives it some of its own."""

    faults: Faults
    client: asyncio.StreamWriter
    orders: bytearray = field(default_factory=bytearray)
    """What the client has sent, whatever became of it."""
    ended: bool = False


class Proxy:
    """Stands before `host`:`port` until closed; `port` and `address` are what the program is told instead.

    `faults` hold for all connections without faults of their own. `single`: one client is served at a time; the next
    is accepted and waits, as on an instrument with one session. `target` may be changed: it holds for new connections.
    """

    def __init__(self, host: str, port: int, *, single: bool = False) -> None:
        self.target = (host, port)
        self.faults = Faults()
        self.connections: list[Connection] = []
        """All there ever were, oldest first."""
        self._one_at_a_time = asyncio.Lock() if single else None
        # Bound all the time, so that nobody else gets the port while it refuses.
        self._place = socket.socket()
        self._place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._place.bind(("127.0.0.1", 0))
        self.port: int = self._place.getsockname()[1]
        self._server: asyncio.Server | None = None
        self._serving: set[asyncio.Task[None]] = set()
        self._writers: list[asyncio.StreamWriter] = []
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="proxy", daemon=True)
        self._thread.start()
        self.listen()

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def open(self) -> list[Connection]:
        """The connections that have not ended."""
        return [one for one in self.connections if not one.ended]

    def listen(self) -> None:
        """Accept connections (again)."""

        async def begin() -> None:
            if self._server is None:
                self._server = await asyncio.start_server(self._accepted, "127.0.0.1", self.port)

        self._do(begin())

    def refuse(self) -> None:
        """Refuse new connections; those there are go on."""

        async def end() -> None:
            if self._server:
                self._server.close()
                self._server = None

        self._do(end())

    def reset(self, one: Connection | None = None) -> None:
        """End one or all connections to clients by RST."""

        async def end() -> None:
            for connection in [one] if one else self.open:
                wire: socket.socket = connection.client.get_extra_info("socket")
                wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                connection.client.transport.abort()

        self._do(end())

    def finish(self, one: Connection | None = None) -> None:
        """End one or all connections to clients by FIN."""

        async def end() -> None:
            for connection in [one] if one else self.open:
                connection.client.close()

        self._do(end())

    def close(self) -> None:
        """End everything; may be called again."""
        if self._loop.is_closed():
            return

        async def end() -> None:
            if self._server:
                self._server.close()
            for task in self._serving:
                task.cancel()
            await asyncio.gather(*self._serving, return_exceptions=True)
            for writer in self._writers:
                writer.transport.abort()
            await asyncio.sleep(LOOK_S)  # an aborted transport closes at the loop's next turn

        self._do(end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(60.0)
        self._loop.close()
        self._place.close()

    def _do(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(5.0)

    async def _accepted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task
        self._serving.add(task)
        task.add_done_callback(self._serving.discard)
        self._writers.append(writer)
        connection = Connection(self.faults, writer)
        self.connections.append(connection)
        try:
            async with self._one_at_a_time or contextlib.nullcontext():
                await self._serve(connection, reader)
        except OSError:
            pass  # whoever ended it, it has ended
        finally:
            connection.ended = True
            writer.close()

    async def _serve(self, connection: Connection, reader: asyncio.StreamReader) -> None:
        if connection.faults.answerless:
            while block := await reader.read(BLOCK):
                connection.orders += block
            return
        instrument_reader, instrument_writer = await asyncio.open_connection(*self.target)
        self._writers.append(instrument_writer)
        ways = [
            asyncio.ensure_future(self._carry_orders(connection, reader, instrument_writer)),
            asyncio.ensure_future(self._carry_replies(connection, instrument_reader)),
        ]
        try:  # whichever side ends first, the other is told
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            instrument_writer.close()

    async def _carry_orders(
        self, connection: Connection, reader: asyncio.StreamReader, instrument: asyncio.StreamWriter
    ) -> None:
        while True:
            await _while_held(connection)
            block = await reader.read(BLOCK)
            if not block:
                return
            connection.orders += block
            await _while_held(connection)
            if not connection.faults.swallow_orders:
                instrument.write(block)
                await instrument.drain()

    async def _carry_replies(self, connection: Connection, reader: asyncio.StreamReader) -> None:
        while block := await reader.read(BLOCK):
            await _while_held(connection)
            faults = connection.faults
            if faults.swallow_replies:
                continue
            if faults.delay_s:
                await asyncio.sleep(faults.delay_s)
            cut = faults.cut()
            if cut is not None:
                connection.client.write(block[:cut])
                await connection.client.drain()
                await asyncio.sleep(faults.gap_s)
                block = block[cut:]
            connection.client.write(block)
            await connection.client.drain()


async def _while_held(connection: Connection) -> None:
    while connection.faults.hold:  # noqa: ASYNC110  it is set from any thread, without a word
        await asyncio.sleep(LOOK_S)


@contextlib.contextmanager
def before(port: int, *, single: bool = False) -> Iterator[Proxy]:
    """Stand before a port of this machine."""
    proxy = Proxy("127.0.0.1", port, single=single)
    try:
        yield proxy
    finally:
        proxy.close()


def before_address(address: str) -> Proxy:
    """Return a proxy before TCPIP::host::port::SOCKET."""
    _, host, port, _ = address.split("::")
    return Proxy(host, int(port))
