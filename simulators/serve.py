"""Simulated instruments on real lines, TCP sockets and pseudo terminals, at VISA resource strings."""

import asyncio
import contextlib
import fcntl
import os
import termios
import tty
from collections import deque
from collections.abc import AsyncIterator, Callable

from benchwarden.simulators.endpoint import Endpoint
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_text import ScpiError

LONGEST_MESSAGE = 65_536
"""Bytes without a terminator after which an instrument gives up (-363)."""


class _Conversation:
    """Bytes in, lines executed, reply bytes out in the order of the questions."""

    def __init__(self, endpoint: Endpoint, send: Callable[[bytes], None], cut: Callable[[], None]) -> None:
        self._endpoint = endpoint
        self._send = send
        self._cut = cut
        self._buffer = b""
        self._held: deque[tuple[float, bytes]] = deque()
        self._timer: asyncio.TimerHandle | None = None

    def feed(self, data: bytes) -> None:
        """Take bytes from the line."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            try:
                reply = self._endpoint.handle(line.rstrip(b"\r").decode("latin-1"))
            except ConnectionResetError:
                self.stop()
                self._cut()
                return
            if reply is not None:
                self._reply(reply.encode("latin-1") + b"\n")
        if len(self._buffer) > LONGEST_MESSAGE:
            self._buffer = b""
            self._endpoint.device.status.push(ScpiError(-363, f"no terminator within {LONGEST_MESSAGE} bytes"))

    def stop(self) -> None:
        """Forget replies that have not left."""
        self._held.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _reply(self, data: bytes) -> None:
        delay_s = self._endpoint.delay_s()
        if delay_s <= 0.0 and not self._held:
            self._send(data)
            return
        self._held.append((asyncio.get_running_loop().time() + delay_s, data))
        if self._timer is None:
            self._wait()

    def _wait(self) -> None:
        self._timer = asyncio.get_running_loop().call_at(self._held[0][0], self._release)

    def _release(self) -> None:
        self._timer = None
        now_s = asyncio.get_running_loop().time()
        while self._held and self._held[0][0] <= now_s:
            self._send(self._held.popleft()[1])
        if self._held:
            self._wait()


class _Connection(asyncio.Protocol):
    """One client of a served instrument."""

    def __init__(self, server: "_TcpServer") -> None:
        self._server = server
        self._conversation: _Conversation | None = None
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Wait until served: with `single_session` only one client is, the others hear nothing."""
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self._conversation = _Conversation(self._server.endpoint, transport.write, transport.abort)
        self._server.arrived(self)

    def data_received(self, data: bytes) -> None:
        """Execute what arrived."""
        if self._conversation is not None:
            self._conversation.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Make room for the next client."""
        if self._conversation is not None:
            self._conversation.stop()
        self._server.left(self)


class _TcpServer:
    """The clients of one served instrument."""

    def __init__(self, endpoint: Endpoint, single_session: bool) -> None:
        self.endpoint = endpoint
        self.single_session = single_session
        self.clients: list[_Connection] = []
        self.empty = asyncio.Event()
        self.empty.set()

    def arrived(self, client: _Connection) -> None:
        """Note a client; a second one waits unread if only one session is offered."""
        self.clients.append(client)
        self.empty.clear()
        if self.single_session and len(self.clients) > 1 and client.transport is not None:
            # Not at once: an older Python 3.11 begins to read only after it has made the connection known.
            asyncio.get_running_loop().call_soon(client.transport.pause_reading)

    def left(self, client: _Connection) -> None:
        """Forget a client and serve the one that has waited longest."""
        self.clients.remove(client)
        if not self.clients:
            self.empty.set()
        if self.single_session and self.clients:
            first = self.clients[0].transport
            if first is not None and not first.is_reading() and not first.is_closing():
                first.resume_reading()


def _endpoint(device: Device | Endpoint) -> Endpoint:
    return device if isinstance(device, Endpoint) else Endpoint(device)


@contextlib.asynccontextmanager
async def serve_tcp(
    device: Device | Endpoint, host: str = "127.0.0.1", port: int = 0, *, single_session: bool = False
) -> AsyncIterator[str]:
    """Serve an instrument on a TCP socket while the block runs; gives its VISA resource string.

    `port` 0 takes a free one. Any number of clients may talk at once unless `single_session`. Lines end with
    a newline both ways. Raises OSError if the port is taken.
    """
    server = _TcpServer(_endpoint(device), single_session)
    listening = await asyncio.get_running_loop().create_server(lambda: _Connection(server), host, port)
    try:
        yield f"TCPIP::{host}::{listening.sockets[0].getsockname()[1]}::SOCKET"
    finally:
        listening.close()
        for client in list(server.clients):
            if client.transport is not None:
                client.transport.abort()
        await server.empty.wait()
        await listening.wait_closed()


class _Pty:
    """The instrument's end of a pseudo terminal."""

    def __init__(self, endpoint: Endpoint, near: int, far: int) -> None:
        self._near = near
        self._far = far
        self._open = True
        self._out = b""
        self._loop = asyncio.get_running_loop()
        self._conversation = _Conversation(endpoint, self._send, self.close)
        os.set_blocking(near, False)
        self._loop.add_reader(near, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._near, 65_536)
        except BlockingIOError:
            return
        except OSError:
            self.close()
            return
        # A real port forgets a client's exclusive claim when that client is gone, however it went; this one is never
        # closed by its last user, and would lock out the next.
        fcntl.ioctl(self._far, termios.TIOCNXCL)
        self._conversation.feed(data)

    def _send(self, data: bytes) -> None:
        self._out += data
        self._writable()

    def _writable(self) -> None:
        if not self._open:
            return
        with contextlib.suppress(BlockingIOError):
            self._out = self._out[os.write(self._near, self._out) :]
        if self._out:
            self._loop.add_writer(self._near, self._writable)
        else:
            self._loop.remove_writer(self._near)

    def close(self) -> None:
        """Pull the plug: the client's end hangs up."""
        if not self._open:
            return
        self._open = False
        self._conversation.stop()
        self._loop.remove_reader(self._near)
        self._loop.remove_writer(self._near)
        os.close(self._near)


@contextlib.asynccontextmanager
async def serve_pty(device: Device | Endpoint) -> AsyncIterator[str]:
    """Serve an instrument on a pseudo terminal while the block runs; gives its VISA resource string.

    The terminal is raw, has no baud rate, and stays when a client closes it; `Faults.drop_connection` unplugs
    it for good.
    """
    near, far = os.openpty()
    tty.setraw(far)
    pty = _Pty(_endpoint(device), near, far)
    try:
        yield f"ASRL{os.ttyname(far)}::INSTR"
    finally:
        pty.close()
        os.close(far)
