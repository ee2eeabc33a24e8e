"""A line through PyVISA, each in a thread of its own that can be abandoned.

VISA calls may block far beyond their timeout, so they never run in the loop and never in a pool that others
share. Deadlines are real seconds, whatever clock the loop has.
"""

import asyncio
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

from benchwarden.drivers.line import LineDead, LineError, LineSilent, check_text, in_flight

GRACE_S = 1.0
"""A call that overruns its timeout by this is abandoned together with its thread."""

T = TypeVar("T")
_Job = Callable[[], None]


class VisaLine:
    """Any VISA resource: `address`, `library` (backend, such as "@py"), `baud` for serial resources.

    `open_s` bounds opening, in seconds.
    """

    instant = False

    def __init__(
        self,
        address: str,
        *,
        library: str = "@py",
        baud: int | None = None,
        terminator: str = "\n",
        open_s: float = 3.0,
    ) -> None:
        self._address = address
        self._library = library
        self._baud = baud
        self._terminator = terminator
        self._open_s = open_s
        self._jobs: queue.SimpleQueue[_Job | None] | None = None
        self._resource: Any = None
        self._fault: LineError | None = None
        self._opened: list[Any] = []
        """What the present thread has opened."""

    async def open(self) -> None:
        """Open the resource in a new thread. Raises LineDead."""
        await self.close()
        self._fault = None
        self._jobs = queue.SimpleQueue()
        threading.Thread(target=_work, args=(self._jobs,), name=f"visa {self._address}", daemon=True).start()
        opened = self._opened = []
        try:
            self._resource = await self._call(lambda: self._open_now(opened), self._open_s, "open")
        except BaseException:
            self._leave_thread()
            raise

    async def ask(self, text: str, timeout_s: float) -> str:
        """Send one line, return the line that answers it. Raises LineSilent, LineDead."""
        check_text(text, self._address)
        resource = self._usable()

        def exchange() -> bytes:
            resource.timeout = timeout_s * 1000.0
            resource.write(text)
            reply: bytes = resource.read_raw()
            return reply

        raw = await self._call(exchange, timeout_s, text)
        end = self._terminator[-1:].encode("ascii")
        body = raw.rstrip(b"\r\n")
        if end in body:
            self._fault = LineDead(f"{self._address}: more than one line in reply to {text!r}: {raw[:80]!r}")
            raise self._fault
        try:
            return body.decode("ascii")
        except UnicodeDecodeError:
            self._fault = LineDead(f"{self._address}: reply is not ASCII: {raw[:80]!r}")
            raise self._fault from None

    async def tell(self, text: str, timeout_s: float) -> None:
        """Send one line that is not answered. Raises LineError."""
        check_text(text, self._address)
        resource = self._usable()

        def send() -> None:
            resource.timeout = timeout_s * 1000.0
            resource.write(text)

        await self._call(send, timeout_s, text)

    async def close(self) -> None:
        """Close the resource; never raises. An abandoned thread closes it when it comes back, if it ever does."""
        resource, self._resource = self._resource, None
        if self._jobs is None:
            return
        if resource is not None:
            self._fault = None
            with suppress(LineError):
                await self._call(resource.close, 0.0, "close")
        self._leave_thread()

    def _open_now(self, opened: list[Any]) -> Any:
        import pyvisa  # here and not above: it costs 0.1 s and is needed by few benches

        manager = pyvisa.ResourceManager(self._library)
        resource: Any = manager.open_resource(
            self._address, open_timeout=int(self._open_s * 1000), timeout=int(self._open_s * 1000)
        )
        opened.append(resource)
        resource.write_termination = self._terminator
        resource.read_termination = self._terminator[-1:]
        if self._baud is not None and hasattr(resource, "baud_rate"):
            resource.baud_rate = self._baud
        return resource

    def _usable(self) -> Any:
        if self._fault is not None:
            raise LineDead(f"{self._fault}") from self._fault
        if self._resource is None:
            raise LineDead(f"{self._address}: is not open")
        return self._resource

    def _leave_thread(self) -> None:
        """Let the thread end; what it still has open by then, it closes: an instrument has few sessions."""
        if self._jobs is not None:
            opened = self._opened
            self._jobs.put(lambda: _close_quietly(opened))
            self._jobs.put(None)
            self._jobs = None

    async def _call(self, work: Callable[[], T], timeout_s: float, what: str) -> T:
        """Run `work` in the thread; raises LineSilent, LineDead, and abandons a thread that overruns."""
        jobs = self._jobs
        if jobs is None:
            raise LineDead(f"{self._address}: is not open")
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()

        def settle(value: T | None, fault: BaseException | None) -> None:
            if future.done():
                return
            if fault is None:
                future.set_result(value)  # type: ignore[arg-type]
            else:
                future.set_exception(fault)

        def post(value: T | None, fault: BaseException | None) -> None:
            try:
                loop.call_soon_threadsafe(settle, value, fault)
            except RuntimeError:
                return  # the loop has ended, and with it everybody who waited

        def job() -> None:
            try:
                value = work()
            except Exception as error:  # noqa: BLE001 - the boundary: backends raise anything, all of it is a fault
                post(None, self._verdict(error, what, timeout_s))
            else:
                post(value, None)

        overrun = LineDead(
            f"{self._address}: abandoned: {what!r} overran its {timeout_s:g} s by {GRACE_S:g} s inside VISA"
        )
        watch = threading.Timer(timeout_s + GRACE_S, post, (None, overrun))
        watch.daemon = True
        with in_flight():
            jobs.put(job)
            watch.start()
            try:
                return await future
            except LineError as fault:
                self._fault = fault
                if fault is overrun:
                    self._resource = None
                    self._leave_thread()
                raise
            except asyncio.CancelledError:
                self._fault = LineDead(f"{self._address}: {what!r} was abandoned half-way; the line is out of step")
                raise
            finally:
                watch.cancel()

    def _verdict(self, error: Exception, what: str, timeout_s: float) -> LineError:
        """Name what a backend raised: silence is known by its code, all else means a dead line."""
        code = getattr(error, "error_code", None)
        if code is not None and int(code) == _TIMED_OUT:
            return LineSilent(f"{self._address}: no reply to {what!r} within {timeout_s:g} s")
        verdict = LineDead(f"{self._address}: {what!r} failed: {type(error).__name__}: {error}")
        verdict.__cause__ = error
        return verdict


_TIMED_OUT = -1073807339
"""VI_ERROR_TMO, VPP-4.3 table of completion and error codes (0xBFFF0015); kept here to import PyVISA late."""


def _close_quietly(resources: list[Any]) -> None:
    while resources:
        with suppress(Exception):  # closed already, or not to be closed: backends raise anything, and nobody waits
            resources.pop().close()


def _work(jobs: "queue.SimpleQueue[_Job | None]") -> None:
    while (job := jobs.get()) is not None:
        job()
