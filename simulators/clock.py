"""Event loops with their own clock, so that hours of a simulated bench pass in seconds.

Everything in the project asks the running loop for the time, so the loop alone decides how fast time goes.
This is one of the few files that may ask the system's clock.
"""

import asyncio
import selectors
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor
from types import TracebackType
from typing import Any, Self, TypeVar, TypeVarTuple, Unpack

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

START_S = 1000.0
"""Where both clocks start. Not zero, so that code which takes a time for a truth value fails in tests."""

PATIENCE_S = 0.25
"""Real seconds that a virtual clock stands still for an answer that is on its way."""

UNSEEN = 64
"""How many times a virtual clock may pass over the pipe that wakes its loop."""

MAX_FACTOR = 20.0
"""Fastest paced clock: real timers are about 1 ms coarse, and sockets need their real microseconds."""

BEHIND_S = 0.1
"""Real seconds that a paced clock makes up for after work that took longer than it had."""


class _Away:
    """Counts the answers that are on their way; one object serves every `with`, nested or not."""

    __slots__ = ("_lock", "_loop", "count")

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self.count = 0
        self._lock = threading.Lock()
        self._loop = loop

    def __enter__(self) -> None:
        with self._lock:
            self.count += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self.count -= 1
        try:
            inside = asyncio.get_running_loop() is self._loop
        except RuntimeError:
            inside = False
        # A release from another thread must wake the loop, which otherwise waits out its patience.
        if not inside and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(_nothing)


def _nothing() -> None:
    """Wake the loop."""


class _VirtualSelector(selectors.DefaultSelector):
    """Looks at the descriptors, and moves the loop's clock on instead of waiting for them.

    A look costs a system call, and lets every other thread of this process go first. With nothing but the loop's own
    pipe to look at, which only wakes what does not sleep here, it is done every `UNSEEN`-th time.
    """

    def __init__(self) -> None:
        super().__init__()
        self.loop: VirtualLoop | None = None
        self._unseen = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return what is ready; with nothing ready, let virtual time pass instead of real time."""
        loop = self.loop
        alone = loop is not None and timeout is not None and not loop.waiting_for and len(self.get_map()) == 1
        self._unseen = self._unseen + 1 if alone else UNSEEN
        if self._unseen < UNSEEN:
            if loop is not None and timeout is not None and timeout > 0:
                loop.jump(timeout)
            return []
        self._unseen = 0
        events = super().select(0)
        if events or (timeout is not None and timeout <= 0) or loop is None:
            return events
        if loop.waiting_for:
            events = super().select(PATIENCE_S)
            if not events and timeout is not None:
                loop.jump(timeout)
            return events
        if timeout is None:
            # A last look in real time, so that only a true deadlock is called one.
            events = super().select(PATIENCE_S)
            if events or loop.waiting_for:
                return events
            raise RuntimeError(
                "the virtual clock: every task waits, no timer is set and no answer is on its way "
                "(a deadlock); a wait for a thread or a descriptor of its own belongs inside loop.away()"
            )
        loop.jump(timeout)
        return events


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to the next timer as soon as nothing is ready.

    Use as `asyncio.Runner(loop_factory=VirtualLoop)`. `time()` is in virtual seconds and starts at `start_s`.
    While `away()` is held, the clock stands still for up to 250 ms of real time per wait. Raises RuntimeError
    where nothing can ever happen any more. Jobs in executors hold `away()` by themselves.
    """

    # Kept by asyncio's BaseEventLoop: the heap of timers, and how early a timer may fire.
    _scheduled: list[asyncio.TimerHandle]
    _clock_resolution: float

    def __init__(self, start_s: float = START_S, selector: _VirtualSelector | None = None) -> None:
        self._now_s = start_s
        selector = selector or _VirtualSelector()
        super().__init__(selector)
        selector.loop = self
        self._away = _Away(self)
        self._clock_resolution = 1e-9

    def time(self) -> float:
        """Return the virtual time in seconds."""
        return self._now_s

    def away(self) -> _Away:
        """Return a context manager that keeps the clock still: an answer is on its way from outside."""
        return self._away

    @property
    def waiting_for(self) -> int:
        """How many answers are on their way."""
        return self._away.count

    def jump(self, by_s: float) -> None:
        """Move the clock on by `by_s` seconds, exactly onto the next timer if that is what lies there."""
        then_s = self._now_s + by_s
        if self._scheduled:
            due_s = self._scheduled[0].when()
            if abs(due_s - then_s) < 1e-6:
                then_s = due_s
        self._now_s = max(self._now_s, then_s)

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[Unpack[Ts]], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """Run `func` in a thread as asyncio does, with the clock kept still until it has returned."""
        future = super().run_in_executor(executor, func, *args)
        self._away.__enter__()
        future.add_done_callback(lambda _: self._away.__exit__(None, None, None))
        return future

    async def shutdown_default_executor(self, *args: Any) -> None:
        """Wait for the executor's threads as asyncio does, with the clock kept still."""
        with self._away:
            await super().shutdown_default_executor(*args)


class _PacedSelector(_VirtualSelector):
    """Lets real time pass before the clock moves on, a share of what is asked."""

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return what becomes ready before the clock has come to the next timer."""
        loop = self.loop
        if not isinstance(loop, PacedLoop) or timeout == 0 or loop.waiting_for:
            return super().select(timeout)
        events = selectors.DefaultSelector.select(self, loop.wait_s(timeout))
        if timeout is not None:
            loop.jump(min(timeout, loop.ahead_s) if events else timeout)
        return events


class PacedLoop(VirtualLoop):
    """An event loop whose clock runs at most `factor` times as fast as real time, and later where work takes longer.

    Like a virtual one it stands still while an answer is on its way: a busy machine makes it slower, and never makes an
    instrument look silent. Use as `asyncio.Runner(loop_factory=lambda: PacedLoop(10.0))`. Raises ValueError unless
    0 < factor <= 20.
    """

    def __new__(cls, factor: float = 1.0, start_s: float = START_S) -> Self:
        """Refuse a factor before there is a half-made loop to close."""
        if not 0.0 < factor <= MAX_FACTOR:
            raise ValueError(f"paced clock: factor is {factor:g}, right is above 0 and at most {MAX_FACTOR:g}")
        return super().__new__(cls)

    def __init__(self, factor: float = 1.0, start_s: float = START_S) -> None:
        self._factor = factor
        self._origin_s = time.monotonic() - start_s / factor  # when the clock would have shown zero
        super().__init__(start_s, _PacedSelector())

    @property
    def ahead_s(self) -> float:
        """How many seconds of this clock have passed in reality since it moved last."""
        return max((time.monotonic() - self._origin_s) * self._factor - self._now_s, 0.0)

    def wait_s(self, timeout: float | None) -> float | None:
        """Return for how many real seconds to wait before the clock may move on by `timeout`, None: for ever.

        What has been lost to work is made up for, up to `BEHIND_S`; more than that is forgotten.
        """
        if timeout is None:
            return None
        left_s = self._origin_s + (self._now_s + timeout) / self._factor - time.monotonic()
        if left_s < -BEHIND_S:
            self._origin_s -= left_s + BEHIND_S
        return max(left_s, 0.0)
