"""A line over a file descriptor that the running loop watches: common to sockets and serial ports."""

import asyncio
import os

from benchwarden.drivers.line import LineDead, LineError, LineSilent, check_text, in_flight

REPLY_LIMIT_BYTES = 65536


class DescriptorLine:
    """One exchange at a time over a non-blocking descriptor; subclasses connect and disconnect.

    The descriptor is watched all the time, so that the end of the line, or a word out of turn, is known
    before the next question is sent and not after its timeout.
    """

    instant = False

    def __init__(self, name: str, terminator: str = "\n") -> None:
        self._name = name
        self._terminator = terminator.encode("ascii")
        self._end = self._terminator[-1:]
        self._fd = -1
        self._fault: LineError | None = None
        self._buffer = bytearray()
        self._waiter: asyncio.Future[str] | None = None
        self._writing: asyncio.Future[None] | None = None

    async def _connect(self) -> int:
        """Return an open, non-blocking descriptor; raises OSError or LineDead."""
        raise NotImplementedError

    def _disconnect(self, *, abandon: bool) -> None:
        """Close the descriptor; with `abandon`, drop what the system still holds for sending.

        Raises OSError.
        """
        raise NotImplementedError

    async def open(self) -> None:
        """Open the line. Raises LineDead."""
        await self.close()
        with in_flight():
            try:
                self._fd = await self._connect()
            except OSError as error:
                why = os.strerror(error.errno) if error.errno else str(error)
                raise LineDead(f"{self._name}: cannot be opened: {why}") from error
        self._fault = None
        self._buffer.clear()
        asyncio.get_running_loop().add_reader(self._fd, self._readable)

    async def ask(self, text: str, timeout_s: float) -> str:
        """Send one line, return the line that answers it. Raises LineSilent, LineDead."""
        data = check_text(text, self._name) + self._terminator
        self._ready()
        loop = asyncio.get_running_loop()
        with in_flight():
            waiter: asyncio.Future[str] = loop.create_future()
            self._waiter = waiter
            timer = loop.call_later(timeout_s, self._expire, text, timeout_s)
            try:
                await self._send(data)
                return await waiter
            except asyncio.CancelledError:
                self._poison(LineDead(f"{self._name}: {text!r} was abandoned half-way; the line is out of step"))
                raise
            finally:
                timer.cancel()
                self._waiter = None

    async def tell(self, text: str, timeout_s: float) -> None:
        """Send one line that is not answered. Raises LineSilent if it cannot be written in time, LineDead."""
        data = check_text(text, self._name) + self._terminator
        self._ready()
        with in_flight():
            timer = asyncio.get_running_loop().call_later(timeout_s, self._expire, text, timeout_s)
            try:
                await self._send(data)
            except asyncio.CancelledError:
                self._poison(LineDead(f"{self._name}: {text!r} was abandoned half-way; the line is out of step"))
                raise
            finally:
                timer.cancel()

    async def close(self) -> None:
        """Close the line; never raises, and may be called again."""
        if self._fd < 0:
            return
        abandon = self._fault is not None
        self._fail(LineDead(f"{self._name}: closed"))
        self._fd = -1
        try:
            self._disconnect(abandon=abandon)
        except (OSError, ValueError):
            return  # nothing is left to close: an unplugged port has gone already

    def _ready(self) -> None:
        """Raise LineDead unless the line is open, quiet and in step."""
        if self._fd < 0:
            raise LineDead(f"{self._name}: is not open")
        if self._fault is None:
            self._readable()  # what the system holds already: the end, or a word nobody asked for
        if self._fault is not None:
            raise LineDead(f"{self._fault}") from self._fault

    async def _send(self, data: bytes) -> None:
        """Write all of `data`, waiting where the system's buffer is full."""
        rest = data
        loop = asyncio.get_running_loop()
        while True:
            try:
                rest = rest[os.write(self._fd, rest) :]
            except BlockingIOError:
                pass
            except OSError as error:
                fault = LineDead(f"{self._name}: write failed: {error.strerror or error}")
                self._poison(fault)
                raise fault from error
            if not rest:
                return
            writing = self._writing = loop.create_future()
            loop.add_writer(self._fd, self._writable)
            try:
                await writing
            finally:
                self._writing = None
                if self._fd >= 0:
                    loop.remove_writer(self._fd)

    def _writable(self) -> None:
        if self._writing is not None and not self._writing.done():
            self._writing.set_result(None)

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, REPLY_LIMIT_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._fail(LineDead(f"{self._name}: read failed: {error.strerror or error}"))
            return
        if not data:
            self._fail(LineDead(f"{self._name}: the other end closed the line"))
            return
        waiter = self._waiter
        if waiter is None or waiter.done():
            self._fail(LineDead(f"{self._name}: spoke out of turn: {data[:80]!r}"))
            return
        buffer = self._buffer
        buffer += data
        end = buffer.find(self._end)
        if end < 0:
            if len(buffer) > REPLY_LIMIT_BYTES:
                self._fail(LineDead(f"{self._name}: reply longer than {REPLY_LIMIT_BYTES} bytes without an end"))
            return
        if end + 1 != len(buffer):
            self._fail(LineDead(f"{self._name}: more than one line in reply to one question: {bytes(buffer[:80])!r}"))
            return
        line = bytes(buffer[:end]).rstrip(b"\r\n")
        buffer.clear()
        try:
            waiter.set_result(line.decode("ascii"))
        except UnicodeDecodeError:
            self._fail(LineDead(f"{self._name}: reply is not ASCII: {line[:80]!r}"))

    def _expire(self, text: str, timeout_s: float) -> None:
        got = f", only {bytes(self._buffer[:80])!r}" if self._buffer else ""
        self._fail(LineSilent(f"{self._name}: no reply to {text!r} within {timeout_s:g} s{got}"))

    def _poison(self, fault: LineError) -> None:
        """Keep the first fault and stop watching."""
        if self._fault is None:
            self._fault = fault
        if self._fd >= 0:
            loop = asyncio.get_running_loop()
            loop.remove_reader(self._fd)
            loop.remove_writer(self._fd)

    def _fail(self, fault: LineError) -> None:
        """Poison the line and tell whoever waits."""
        self._poison(fault)
        if self._writing is not None and not self._writing.done():
            self._writing.set_exception(fault)  # whoever asks waits here first, and not yet for the reply
        elif self._waiter is not None and not self._waiter.done():
            self._waiter.set_exception(fault)
