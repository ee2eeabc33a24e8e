"""Runs that end before their plan does: asked to stop at any moment, and again, or by a fault of this program itself.

What was on, and until when, is read from the journal of the simulated bench, never from the program under test.
"""

import asyncio
import io
import math
import os
import socket
import stat
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.guard.guardian_link import GuardianGone
from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.running.hands import Hands
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.results.sample import Sample
from benchwarden.simulators.start import SimulatedBench
from tests.nth_fault import ROUNDS
from tests.test_bay_faults import (
    BLIND,
    CHARGE,
    DISCHARGE,
    EVERY,
    HERON,
    LEFT,
    ROLES,
    WAY_TO_OFF_S,
    Fault,
    assert_off_within,
    assert_tripped,
    broken,
    device,
    mute,
    outputs_at_the_end,
    placed,
)
from tests.virtual_bench import Done, StandInGuardian, on_virtual_time, run_test

TOP = ROUNDS["top"]

# Asked to stop (faults 32 and 39).


@dataclass
class Stopper:
    """Counts what every instrument hears, and cancels the run at the n-th message; again at each one after that.

    `at` notes what was heard then. A cancelled task hears of it where it waits next.
    """

    nth: float
    again: bool = False
    count: int = 0
    at: str = ""
    stop: Callable[[], object] = lambda: None
    cancelled: int = 0
    heard: list[str] = field(default_factory=list)

    def listen(self, bench: SimulatedBench) -> None:
        for place in bench.instruments.values():
            place.endpoint.device.handle = self._heard(place.name, place.endpoint.device.handle)  # type: ignore[method-assign, assignment]

    def _heard(self, name: str, handle: Callable[[str], str | None]) -> Callable[[str], str | None]:
        def hear(message: str) -> str | None:
            self.count += 1
            self.heard.append(message)
            if self.count == self.nth:
                self.at = f"{name}: {message}"
            if self.count == self.nth or (self.again and self.count > self.nth):
                self.cancelled += 1
                self.stop()
            return handle(message)

        return hear


def stopped_at(
    folder: Path, stopper: Stopper, *, sockets: bool, profile: str = TOP.profile, soc: float = TOP.soc
) -> Done:
    """Run a profile, and cancel it when the stopper says so."""

    async def work() -> Done:
        run = asyncio.ensure_future(
            run_test(folder, LEFT, HERON, profile, soc=soc, sockets=sockets, before=stopper.listen)
        )
        stopper.stop = run.cancel
        return await run

    return on_virtual_time(work())


def assert_stopped_safely(done: Done, where: str) -> None:
    assert outputs_at_the_end(done) == set(), where
    assert done.off_confirmed, where
    assert "load and supply on together" not in [what for _, what in done.journal], where
    assert done.ending.how == "stopped", where
    assert done.run.problems == [], where
    assert done.run.ending.how == "stopped", where
    assert done.run.ending.off_confirmed is True, where
    if done.guardian.armed:
        assert done.guardian.disarmed == ["left"], where


def evenly(heard: Sequence[str]) -> list[int]:
    """Return some twenty numbers of messages all over a run, and those where outputs are switched."""
    return sorted({*range(1, len(heard) - 8, len(heard) // 14), *at_orders(heard)})


def at_orders(heard: Sequence[str]) -> list[int]:
    """Return the numbers of a first question, of the settings before an output goes on, and of each on and off."""
    places = {heard.index("*IDN?"), *(n for n, text in enumerate(heard) if text.startswith(("INPut O", "OUTPut ON")))}
    places.add(next(n for n, text in enumerate(heard) if "PROTection" in text))
    return [place + 1 for place in sorted(places)][:7]


@pytest.mark.parametrize(("sockets", "chosen"), [(False, evenly), (True, at_orders)], ids=["waiting", "talking"])
def test_a_stop_at_any_moment_of_a_run_leaves_everything_off(
    tmp_path: Path, sockets: bool, chosen: Callable[[Sequence[str]], list[int]]
) -> None:
    """Fault 39: in every state, from the first identity to the last reading; what a SIGTERM does in the worker.

    In memory a stop takes effect at the next wait; on sockets within each exchange, but a run costs more.
    """
    whole = Stopper(math.inf)
    done = stopped_at(tmp_path / "whole", whole, sockets=sockets)
    assert done.ending.how == "finished", done.ending
    states: set[str] = set()
    for nth in chosen(whole.heard):
        stopper = Stopper(nth)
        done = stopped_at(tmp_path / str(nth), stopper, sockets=sockets)
        assert_stopped_safely(done, f"message {nth} ({stopper.at}): {done.ending}")
        on = [what for _, what in done.whole_journal if what.endswith(" on")]
        states.add(on[-1] if on else "nothing yet")
    assert states >= {"nothing yet", "load 1 on", "supply on"}


@pytest.mark.parametrize("nth", [40, 160])
def test_being_asked_again_and_again_while_stopping_changes_nothing(tmp_path: Path, nth: int) -> None:
    """Fault 32: at every message of the way to off, and before each."""
    stopper = Stopper(nth, again=True)
    done = stopped_at(tmp_path, stopper, sockets=True)
    assert stopper.cancelled >= 5
    assert_stopped_safely(done, f"message {nth} ({stopper.at}): {done.ending}")
    assert len(list(done.run.events_named("ended"))) == 1


def test_being_asked_every_50_ms_while_off_is_slow(tmp_path: Path) -> None:
    """Fault 32: a load whose every answer takes 0.12 s; off is confirmed all the same, once."""
    asked = 0

    async def work() -> Done:
        def slow(bench: SimulatedBench) -> None:
            placed(bench, "load").endpoint.faults.hold_reply_s = 0.12
            again()

        def again() -> None:
            nonlocal asked
            asked += 1
            if not run.done():
                run.cancel()
                asyncio.get_running_loop().call_later(0.05, again)

        run = asyncio.ensure_future(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, sockets=True, each=Fault(slow)))
        return await run

    done = on_virtual_time(work())
    assert asked >= 5
    assert_stopped_safely(done, str(done.ending))
    assert [what for _, what in done.journal] == ["load 1 on", "load 1 off"]


# A part of this program dies (fault 31).


class Stumble(Exception):
    """A mistake in the program, for tests."""


def stumble_once(bench: SimulatedBench, name: str) -> None:
    """Let the next answer of an instrument raise what nobody expects, as a mistake in a driver would."""
    hit = device(bench, name)
    handle = hit.handle

    def raise_once(message: str) -> str | None:
        hit.handle = handle  # type: ignore[method-assign]
        raise Stumble(name)

    hit.handle = raise_once  # type: ignore[method-assign]


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
@pytest.mark.parametrize("role", ROLES)
def test_whichever_task_dies_the_bay_goes_off(tmp_path: Path, role: str, profile: str) -> None:
    """Fault 31: each role is looked at by a task of its own."""
    done, fired_s = broken(tmp_path, lambda bench: stumble_once(bench, role), profile)
    assert_tripped(done, f"a fault of this program: Stumble\\('{role}'\\)")
    assert_off_within(done, fired_s, EVERY[role] + 1.0)
    assert done.off_confirmed
    assert [is_on for _, time_s, is_on in done.guardian.beats if time_s > fired_s + EVERY[role] + 1.0] == []


def test_a_driver_that_fails_for_good_keeps_no_other_output_on(tmp_path: Path) -> None:
    """Fault 31: the supply's driver raises at every call; the load goes off, and the guardian stays armed."""

    def fail(bench: SimulatedBench) -> None:
        def handle(message: str) -> str | None:
            raise Stumble("for good")

        device(bench, "supply").handle = handle  # type: ignore[method-assign]

    done, fired_s = broken(tmp_path, fail)
    assert_tripped(done, r"a fault of this program: Stumble\('for good'\)")
    assert_off_within(done, fired_s, EVERY["supply"] + 1.0)
    assert not done.off_confirmed
    assert not done.guardian.disarmed


class Broken(Disk):
    """A disk whose calls fail with what no disk raises, once told so."""

    def __init__(self) -> None:
        self.broken = False

    def write(self, descriptor: int, data: bytes) -> int:
        if self.broken:
            raise Stumble("in the writer")
        return super().write(descriptor, data)


def test_a_writer_that_dies_ends_the_run(tmp_path: Path) -> None:
    """Fault 31: nobody measures what nobody keeps."""
    disk = Broken()
    fault = Fault(lambda bench: setattr(disk, "broken", True))
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.9, each=fault, disk=disk))
    assert fault.fired_s is not None
    assert done.ending.how == "tripped"
    assert "a fault of this program in the writer: Stumble" in done.ending.why
    assert_off_within(done, fault.fired_s, 64.0 + WAY_TO_OFF_S)
    assert done.off_confirmed


class Slow(Disk):
    """A disk that is asked for room in some thread; a stop comes meanwhile."""

    def __init__(self, loop_thread: threading.Thread) -> None:
        self.loop_thread = loop_thread
        self.in_the_loop = False
        self.asked = asyncio.Event()
        self.loop = asyncio.get_running_loop()

    def free_bytes(self, folder: Path) -> int:
        if threading.current_thread() is self.loop_thread:
            self.in_the_loop = True
        self.loop.call_soon_threadsafe(self.asked.set)
        time.sleep(0.05)
        return 10**12


def test_a_slow_disk_at_a_run_s_beginning_holds_up_no_other_bay_and_a_stop_meanwhile_stands(tmp_path: Path) -> None:
    """Folder, reserve and run.json are synced, which takes seconds on a bad disk."""

    async def work() -> tuple[Done, Slow]:
        disk = Slow(threading.current_thread())
        running = asyncio.ensure_future(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.9, disk=disk))
        await disk.asked.wait()
        running.cancel()
        return await running, disk

    done, disk = on_virtual_time(work())
    assert not disk.in_the_loop
    assert done.ending.how == "stopped"
    assert done.whole_journal == []
    assert done.run.ending.how == "stopped"  # its folder is there, and has its end


# The loop and its threads (faults 29 and 30).


@pytest.fixture
def watched_loop(monkeypatch: pytest.MonkeyPatch) -> tuple[list[str], dict[str, bool]]:
    """Note every call that may wait for disk, network or another process, made in this thread while told to."""
    seen: list[str] = []
    state = {"look": False}
    here = threading.get_ident()

    def watch(owner: Any, name: str) -> None:
        real = getattr(owner, name)

        def called(*args: Any, **more: Any) -> Any:
            # A socket or a serial port in non-blocking mode takes what it can at once.
            file = name not in ("write", "pwrite") or stat.S_ISREG(os.fstat(args[0]).st_mode)
            numeric = more.get("flags") == socket.AI_NUMERICHOST  # asks no name server
            if state["look"] and file and not numeric and threading.get_ident() == here:
                seen.append(f"{getattr(owner, '__name__', owner)}.{name}{args!r}"[:120])
            return real(*args, **more)

        monkeypatch.setattr(owner, name, called)

    for owner, names in (
        (time, ("sleep",)),
        (io, ("open",)),
        (os, ("open", "fsync", "fdatasync", "write", "pwrite", "listdir", "replace", "statvfs")),
        (socket, ("getaddrinfo", "create_connection", "gethostbyname")),
        (subprocess, ("run", "Popen")),
    ):
        for name in names:
            watch(owner, name)
    return seen, state


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
def test_nothing_waits_for_a_disk_or_a_process_in_the_loop_while_a_run_goes_on(
    tmp_path: Path, watched_loop: tuple[list[str], dict[str, bool]], profile: str
) -> None:
    """Fault 29: over sockets and a serial port, from the first sample on, a cut connection included."""
    seen, state = watched_loop
    counted = 0

    def look(bench: SimulatedBench, sample: Sample) -> None:
        nonlocal counted
        counted += 1
        state["look"] = counted < 60
        if counted == 30:
            placed(bench, "temperature").endpoint.faults.drop_connection = True
        if counted == 60:
            raise Stumble("enough")

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, sockets=True, each=look))
    assert counted == 60
    assert [event["role"] for event in done.run.events_named("missed")] == ["temperature"]
    assert seen == []


def test_what_waits_in_the_loop_would_be_seen(tmp_path: Path, watched_loop: tuple[list[str], dict[str, bool]]) -> None:
    """The check above can fail."""
    seen, state = watched_loop
    state["look"] = True
    (tmp_path / "file").write_text("x")
    time.sleep(0.0)
    assert [one.split("(")[0] for one in seen] == ["io.open", "time.sleep"]


@pytest.mark.realtime
def test_off_goes_out_while_every_thread_of_the_pool_is_stuck() -> None:
    """Fault 30, in real seconds: more stuck calls than threads, a load on a socket, a supply on another."""
    release = threading.Event()

    async def work() -> float:
        loop = asyncio.get_running_loop()
        async with SimulatedBench([LEFT], soc=0.5) as bench:
            entry = read_bench(bench.bench_toml(), "bench.toml").bay[0]
            plan = work_out(read_profile(DISCHARGE, "profile"), read_pack(HERON), entry.abilities())
            instruments = Instruments(entry)
            await instruments.open()
            hands = Hands(
                instruments.load,
                instruments.supply,
                instruments.outputs,
                plan,
                entry.off_thresholds_a(),
                lambda event, **details: None,
            )
            bay = bench.bays["left"]
            bay.loads[0].current_a = 5.0
            bay.switch_load(0, True, bench.now())
            stuck = [loop.run_in_executor(None, release.wait, 60.0) for _ in range(64)]
            await asyncio.sleep(0)
            began = loop.time()
            confirmed = await hands.all_off()
            took_s = loop.time() - began
            assert confirmed
            assert not bay.loads[0].on
            release.set()
            await asyncio.gather(*stuck)
            await instruments.close()
            return took_s

    try:
        assert asyncio.run(work()) < 10.0  # a second at most on a quiet machine; behind the threads, a minute
    finally:
        release.set()


# Signs of life, and the guardian (faults 34 and 35).


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
def test_no_valid_sample_no_sign_of_life(tmp_path: Path, profile: str) -> None:
    """Fault 34: everything runs on, but nothing is measured."""
    role = "load" if profile is DISCHARGE else "supply"
    done, fired_s = broken(tmp_path, lambda bench: mute(bench, role), profile)
    on = [time_s for _, time_s, is_on in done.guardian.beats if is_on]
    last_off_s = max(time_s for time_s, what in done.journal if what.endswith(" off"))
    assert last_off_s - fired_s > BLIND[role]  # so long it went on without a value, and without a sign
    assert [time_s for time_s in on if time_s > fired_s] == []
    assert not done.off_confirmed


class Refusing(StandInGuardian):
    """A guardian that cannot reach an instrument, or finds another one there."""

    async def arm(self, bay: str, off: Any, contactor: object = None) -> None:
        raise GuardianGone(
            "the guardian refuses bay left: left load at …: another instrument answers: SOMEONE,ELSE,1,1"
        )


def test_a_guardian_that_refuses_keeps_everything_off(tmp_path: Path) -> None:
    """Fault 35: wrong port, no permission, another instrument; not even the test pulse is drawn."""
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, guardian=Refusing()))
    assert done.ending.how == "tripped"
    assert "the guardian refuses bay left" in done.ending.why
    assert done.whole_journal == []
    assert done.run.samples == []
    assert done.off_confirmed


# Decisions that come late (fault 23).


def test_readings_that_come_later_and_later_trip_before_they_are_old(tmp_path: Path) -> None:
    """Fault 23: no decision rests on groups older than 2 s; what comes later than the time-out is no reading."""

    def later(bench: SimulatedBench, sample: Sample) -> None:
        placed(bench, "cells").endpoint.faults.hold_reply_s = max(0.0, 0.15 * (sample.sequence - 8))

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, sockets=True, each=later))
    assert done.ending.how == "tripped"
    assert "has not been seen for" in done.ending.why
    assert outputs_at_the_end(done) == set()
    assert done.off_confirmed
    ages = [sample.groups_age_s for sample in done.run.samples if sample.groups_age_s is not None]
    assert max(ages) <= 2.0
    assert done.run.samples[-1].groups_v[0] is None


def test_beats_that_come_late_are_counted_said_once_a_minute_and_never_made_up_for(tmp_path: Path) -> None:
    """Fault 23: every other answer of the load costs its whole time-out of a second."""

    def slow(bench: SimulatedBench, sample: Sample) -> None:
        placed(bench, "load").endpoint.faults.mute = 10 <= sample.sequence < 60 and sample.sequence % 2 == 0

    done = on_virtual_time(
        run_test(
            tmp_path,
            LEFT,
            HERON,
            DISCHARGE + 'at_most = "150 s"\n',
            soc=0.5,
            each=slow,
            change_bench=lambda text: text.replace('map = "load-function"', 'map = "load-function", timeout = "1 s"'),
        )
    )
    assert done.ending.how == "finished", done.ending
    said = list(done.run.events_named("loop_overrun"))
    assert 1 <= len(said) <= 2
    assert said[0]["late_s"] > 0.5
    [counted] = done.run.events_named("counted")
    assert 20 <= counted["overruns"] <= 60
    assert counted["longest_late_s"] >= 0.99
    times = [sample.test_time_s for sample in done.run.samples if sample.output == "load"][:-1]
    assert min(after - before for before, after in pairwise(times)) > 0.9
