"""Clocks of the simulated bench: what jumps, what stands still, what is a deadlock."""

import asyncio
import os
import signal
import threading
import time
import tty
from collections.abc import Coroutine
from typing import Any, TypeVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.simulators.clock import PATIENCE_S, UNSEEN, PacedLoop, VirtualLoop

T = TypeVar("T")


def run(main: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)


def loop_now() -> float:
    return asyncio.get_running_loop().time()


@settings(max_examples=25)
@given(st.lists(st.floats(0.001, 40_000.0), min_size=1, max_size=30, unique=True))
def test_timers_fire_in_order_and_exactly_on_time(delays: list[float]) -> None:
    fired: list[tuple[float, float]] = []

    async def main() -> float:
        loop = asyncio.get_running_loop()
        start = loop.time()

        def note(due: float) -> None:
            fired.append((due, loop.time()))

        for delay in delays:
            loop.call_at(start + delay, note, start + delay)
        await asyncio.sleep(max(delays) + 1.0)
        return start

    began = time.process_time()
    start = run(main())
    assert [due for due, _ in fired] == sorted(start + delay for delay in delays)
    # Timers that lie closer together than the loop's resolution of 1 ns may share one wake-up.
    assert all(-1e-9 <= at - due <= 1e-9 for due, at in fired)
    assert time.process_time() - began < 5.0


def test_ten_hours_of_ticks_pass_quickly_and_land_on_whole_seconds() -> None:
    async def main() -> list[float]:
        start = loop_now()
        seen = []
        for n in range(1, 36_001):
            await asyncio.sleep(start + n - loop_now())
            seen.append(loop_now() - start)
        return seen

    began = time.process_time()
    assert run(main()) == [float(n) for n in range(1, 36_001)]
    assert time.process_time() - began < 10.0


def test_the_clock_stands_still_while_a_thread_is_away() -> None:
    async def main() -> tuple[float, float]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        done = asyncio.Event()
        away = loop.away()
        away.__enter__()

        def outside() -> None:
            time.sleep(0.05)
            loop.call_soon_threadsafe(done.set)
            away.__exit__(None, None, None)

        before = loop.time()
        thread = threading.Thread(target=outside)
        thread.start()
        async with asyncio.timeout(1000.0):
            await done.wait()
        thread.join()
        answered = loop.time()
        await asyncio.sleep(1000.0)
        return answered - before, loop.time() - answered

    assert run(main()) == (0.0, 1000.0)


def test_a_release_from_a_thread_wakes_the_loop_before_its_patience_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.simulators.clock.PATIENCE_S", 60.0)

    async def main() -> float:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        away = loop.away()
        away.__enter__()
        threading.Timer(0.02, away.__exit__, (None, None, None)).start()
        began = time.monotonic()
        await asyncio.sleep(5.0)
        return time.monotonic() - began

    assert 0.01 < run(main()) < 55.0


def test_an_answer_that_never_comes_costs_its_patience_once_per_timer() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        began = time.monotonic()
        with loop.away():
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(3600.0):
                    await asyncio.Event().wait()
        return time.monotonic() - began

    assert run(main()) > PATIENCE_S * 0.9


def test_executor_jobs_hold_the_clock_by_themselves() -> None:
    async def main() -> float:
        before = loop_now()
        async with asyncio.timeout(0.001):
            await asyncio.to_thread(time.sleep, 0.05)
        return loop_now() - before

    assert run(main()) == 0.0


@pytest.mark.leaves_tasks
def test_a_deadlock_is_named() -> None:
    with pytest.raises(RuntimeError, match="deadlock"):
        run(asyncio.Event().wait())


def test_a_thousand_exchanges_over_sockets_without_a_spurious_timeout() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            writer.write(line.upper())
        writer.close()

    async def main() -> int:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        good = 0
        for n in range(1000):
            async with asyncio.timeout(0.5):
                writer.write(b"meas:volt? %d\n" % n)
                good += await reader.readline() == b"MEAS:VOLT? %d\n" % n
            await asyncio.sleep(1.0)
        writer.close()
        await writer.wait_closed()
        await asyncio.sleep(0.1)
        server.close()
        await server.wait_closed()
        return good

    assert run(main()) == 1000


def test_a_thousand_exchanges_over_a_pty_without_a_spurious_timeout() -> None:
    async def main() -> int:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        near, far = os.openpty()
        tty.setraw(far)
        answers: asyncio.Queue[bytes] = asyncio.Queue()
        loop.add_reader(near, lambda: os.write(near, os.read(near, 4096).upper()))
        loop.add_reader(far, lambda: answers.put_nowait(os.read(far, 4096)))
        good = 0
        for n in range(1000):
            question = b"meas:volt? %d\n" % n
            async with asyncio.timeout(0.5):
                with loop.away():
                    os.write(far, question)
                    answer = b""
                    while not answer.endswith(b"\n"):
                        answer += await answers.get()
            good += answer == question.upper()
            await asyncio.sleep(1.0)
        for end in (near, far):
            loop.remove_reader(end)
            os.close(end)
        return good

    assert run(main()) == 1000


def test_a_paced_clock_is_faster_by_its_factor() -> None:
    async def main() -> float:
        began = time.monotonic()
        await asyncio.sleep(2.0)
        return time.monotonic() - began

    with asyncio.Runner(loop_factory=lambda: PacedLoop(20.0)) as runner:
        took = runner.run(main())
    assert 0.099 < took < 1.9


@pytest.mark.parametrize("factor", [0.0, -1.0, 20.1, float("nan")])
def test_a_paced_clock_refuses_other_factors(factor: float) -> None:
    with pytest.raises(ValueError, match="factor"):
        PacedLoop(factor)


def test_a_signal_is_heard_though_the_clock_does_not_look_at_every_turn() -> None:
    """The virtual clock passes over its loop's own pipe; what wakes it by that alone must come through all the same."""

    async def work() -> int:
        heard: list[int] = []
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGUSR1, heard.append, 1)
        try:
            os.kill(os.getpid(), signal.SIGUSR1)
            turns = 0
            while not heard and turns < 10 * UNSEEN:
                await asyncio.sleep(1.0)
                turns += 1
        finally:
            loop.remove_signal_handler(signal.SIGUSR1)
        assert heard
        return turns

    assert run(work()) <= UNSEEN
