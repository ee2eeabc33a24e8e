"""One fault at one operation of a short run, and the verdict over what became of it: for tests/test_nth_fault.py.

Every message of a run is numbered at the memory seam, where the instruments hang, and every call to the system for the
record at the seam `Disk`. The simulated bench's own journal and its own count of the charge are the witnesses.
"""

import asyncio
import errno
import functools
import os
import re
import tempfile
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from benchwarden.daemon.alarm.outside import NOBODY, Outside
from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.running.conductor import LOOK_OVER_S
from benchwarden.daemon.safety import Heat
from benchwarden.profiles.plan import Plan
from benchwarden.results.sample import Sample
from benchwarden.simulators.clock import VirtualLoop
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.supply import SupplyDevice
from tests.test_bay_faults import HERON, LEFT, MIDDLE, RIGHT, WAY_TO_OFF_S, outputs_at_the_end
from tests.virtual_bench import Done, on_virtual_time, run_test

OVERLOAD, NOT_A_NUMBER = "9.9E37", "NAN"  # SCPI-1999 7.2.1.4 and 7.2.1.5

T = TypeVar("T")
NUMBER = re.compile(r"(?<![^;,])[-+]?\d+(\.\d*)?(E[-+]?\d+)?(?![^;,])")  # a whole field of an answer


@dataclass(frozen=True, slots=True)
class Round:
    """A short run: bay, pack, profile, state of charge to begin with."""

    bay: BayScenario
    pack: str
    profile: str
    soc: float


ROUNDS = {
    # Both outputs, and a change from one to the other; close to the upper hard limit.
    "top": Round(
        LEFT,
        HERON,
        """
title = "At the top"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.3C"
[[step]]
do = "rest"
at_least = "5 s"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "4.05 V" }
""",
        0.985,
    ),
    # Two loads as one, close to the lower hard limit.
    "bottom": Round(
        RIGHT,
        (files("benchwarden.daemon.commands") / "demo_tern.toml").read_text("utf-8"),
        """
title = "At the bottom"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
at_most = "15 s"
""",
        0.03,
    ),
    # Bursts at ten readings a second; the other dialect of load.
    "bursts": Round(
        MIDDLE,
        HERON.replace("Heron", "Plover").replace("50 A", "25 A").replace("90 A for 5 s", "30 A for 5 s"),
        """
title = "Two bursts"
[[step]]
do = "ladder"
from = "5C"
step = "1C"
hold = "2 s"
rest = "10 s"
""",
        0.8,
    ),
}


class How(Enum):
    """What becomes of one exchange with an instrument."""

    SILENCE = "carried out, not answered"
    GARBAGE = "answered with garbage"
    EMPTY = "answered with an empty line"
    DROPPED = "not carried out, and the connection is gone"
    LATE = "carried out, and its answer comes in place of the next one"
    HELD = "not answered, and carried out only when the next message comes"
    OVERLOADED = "every number in the answer is the overload value"
    NOT_A_NUMBER = "every number in the answer is not a number"
    STRANGER = "the connection is gone, and from then on an instrument with another serial number answers"
    REBOOT = "the instrument loses its mains for a moment, and the connection is gone"


class Exchanges:
    """Counts the messages of all instruments and spoils the n-th; says which it was and when."""

    def __init__(self, nth: int | None, how: How = How.SILENCE) -> None:
        self.count = 0
        self.spoiled: tuple[str, str] | None = None
        self.at_s = 0.0
        self._nth, self._how = nth, how
        self._late: dict[str, str] = {}
        self._held: dict[str, str] = {}
        self._strangers: set[str] = set()

    def wrapped(self, name: str, device: Device, handle: Callable[[str], str | None]) -> Callable[[str], str | None]:
        def exchange(message: str) -> str | None:
            self.count += 1
            if self.count - 1 == self._nth:
                self.spoiled, self.at_s = (name, message), device.now()
                return self._spoil(name, device, handle, message)
            if name in self._held:
                handle(self._held.pop(name))
            answer = handle(message)
            if name in self._late:
                return self._late.pop(name)
            if name in self._strangers and answer is not None:
                return answer.replace("-1,", "-9,") if message.upper().startswith("*IDN?") else answer
            return answer

        return exchange

    def _spoil(self, name: str, device: Device, handle: Callable[[str], str | None], message: str) -> str | None:
        match self._how:
            case How.DROPPED:
                raise ConnectionResetError("the connection was cut")
            case How.REBOOT:
                lose_mains(device)
                raise ConnectionResetError("the connection was cut")
            case How.STRANGER:
                self._strangers.add(name)
                raise ConnectionResetError("the connection was cut")
            case How.HELD:
                self._held[name] = message
                return None
        answer = handle(message)
        if answer is None:
            return None  # what nobody answers cannot be answered badly
        match self._how:
            case How.LATE:
                self._late[name] = answer
                return None
            case How.GARBAGE:
                return "\x00?;-,;25..1,#"
            case How.EMPTY:
                return ""
            case How.OVERLOADED:
                return NUMBER.sub(OVERLOAD, answer)
            case How.NOT_A_NUMBER:
                return NUMBER.sub(NOT_A_NUMBER, answer)
        return None


def lose_mains(device: Device) -> None:
    """What a moment without mains does to an instrument; a meter has no power-on state to choose."""
    cycle = getattr(device, "power_cycle", device.reset)
    cycle()
    device.status = type(device.status)()


class Bad(Enum):
    """What becomes of one call to the system for the record."""

    ERROR = "fails with EIO"
    FULL = "takes half of it, as a full disk does"


class NthDisk(Disk):
    """A disk whose n-th operation fails; `wait_for_rows` keeps the run and the writer's thread in step.

    `at_s` is when that was, on the run's clock, which stands still until the writer has said so. `misused` lists what
    was asked of a file whose sync had failed.
    """

    def __init__(self, nth: int | None, bad: Bad = Bad.ERROR) -> None:
        self.count = 0
        self.spoiled: str | None = None
        self.at_s: float | None = None
        self.rows = 0
        self.misused: list[str] = []
        self.loop: VirtualLoop | None = None
        self._nth, self._bad = nth, bad
        self._changed = threading.Condition()
        self._lost: tuple[int, int] | None = None
        self._holds = False

    def write(self, descriptor: int, data: bytes) -> int:
        done = self._do(
            "write",
            descriptor,
            lambda: os.write(descriptor, data),
            lambda: os.write(descriptor, data[: len(data) // 2]),
        )
        self._taken(data)
        return done

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        done = self._do(
            "write into the reserve",
            descriptor,
            lambda: os.pwrite(descriptor, data, offset),
            lambda: os.pwrite(descriptor, data[: len(data) // 2], offset),
        )
        self._taken(data)
        return done

    def sync(self, descriptor: int) -> None:
        self._do("sync", descriptor, lambda: os.fsync(descriptor), lambda: None)

    def wait_for_rows(self, rows: int) -> None:
        """Wait until so many rows were taken, or one was not."""
        with self._changed:
            assert self._changed.wait_for(lambda: self.rows >= rows or self.spoiled is not None, 20.0)

    def let_go(self) -> None:
        """Let the run's clock go on."""
        if self._holds and self.loop:
            self._holds = False
            self.loop.away().__exit__(None, None, None)

    def _taken(self, data: bytes) -> None:
        if b'"record_failed"' in data:
            self.let_go()
        if data[:1].isdigit():
            with self._changed:
                self.rows += 1
                self._changed.notify_all()

    def _do(self, name: str, descriptor: int, do: Callable[[], T], half: Callable[[], T]) -> T:
        found = os.fstat(descriptor)
        if self._lost == (found.st_dev, found.st_ino):
            self.misused.append(name)
        self.count += 1
        if self.count - 1 != self._nth:
            return do()
        if name == "sync":
            self._lost = (found.st_dev, found.st_ino)
        if self.loop:
            self.at_s = self.loop.time()
            # In the thread that makes the folder the run has not begun, and hears of it at once.
            if threading.current_thread().name.startswith("writer"):
                self._holds = True
                self.loop.away().__enter__()
        with self._changed:
            self.spoiled = name
            self._changed.notify_all()
        if self._bad is Bad.FULL and name != "sync":
            return half()
        raise OSError(errno.EIO, os.strerror(errno.EIO))


class Told(Outside):
    """Keeps what people are told of a run's end: how, why, and whether off is confirmed."""

    def __init__(self) -> None:
        super().__init__(None, print)
        self.ends: list[tuple[str, str, bool]] = []

    def ended(self, bay: str, pack: str, how: str, why: str, *, off_confirmed: bool, heat: Heat = Heat.NO) -> None:
        self.ends.append((how, why, off_confirmed))


@dataclass
class Outcome:
    """A run that has ended, and how many rows were handed over in it."""

    done: Done
    rows: int

    @property
    def stretches(self) -> list[tuple[float, float]]:
        """When each output went on and off, by the simulated bench's own journal; fails if one is still on."""
        began: dict[str, float] = {}
        found: list[tuple[float, float]] = []
        for time_s, what in self.done.whole_journal:
            name, _, state = what.rpartition(" ")
            if state == "on":
                began[name] = time_s
            elif state == "off" and name in began:
                found.append((began.pop(name), time_s))
        assert not began, f"still on: {sorted(began)}"
        return found

    @property
    def on_s(self) -> float:
        """For how long outputs were on in all."""
        return sum(off_s - on_s for on_s, off_s in self.stretches)


def run_round(
    folder: Path, name: str, exchanges: Exchanges, disk: NthDisk | None = None, outside: Outside = NOBODY
) -> Outcome:
    """Run a round with every instrument behind the counter, and the record on this disk, if one is given."""
    one = ROUNDS[name]
    rows: list[int] = []

    class Wired(SimulatedBench):
        """A simulated bench whose lines in memory go through the counter."""

        def memory(self) -> Mapping[str, Callable[[str], str | None]]:
            return {
                key: exchanges.wrapped(key, self.instruments[key].endpoint.device, handle)
                for key, handle in super().memory().items()
            }

    def count(bench: SimulatedBench, sample: Sample) -> None:
        rows.append(sample.sequence)
        if disk:
            disk.wait_for_rows(len(rows))

    async def work() -> Done:
        loop = asyncio.get_running_loop()
        if disk and isinstance(loop, VirtualLoop):
            disk.loop = loop
        done = await run_test(
            folder,
            one.bay,
            one.pack,
            one.profile,
            soc=one.soc,
            make_bench=Wired,
            each=count,
            change_plan=without_watch,
            disk=disk,
            reserve_bytes=100_000,
            outside=outside,
        )
        if disk:
            disk.let_go()
        if not done.off_confirmed:
            take_over(done)
        return done

    return Outcome(on_virtual_time(work()), len(rows))


def take_over(done: Done) -> None:
    """Do in memory what the guardian does at once when a worker leaves a bay that it did not disarm: off to everything.

    That is how a bay ends in which a stranger has taken an instrument's place: the worker sends it off, too, but what a
    stranger says of itself confirms nothing.
    """
    if not done.guardian.armed:
        return  # nothing was switched on by then
    assert not done.guardian.disarmed
    for one in done.bench.instruments.values():
        if isinstance(one.endpoint.device, LoadDevice | SupplyDevice):
            one.endpoint.device.put("on", False)


def without_watch(plan: Plan) -> Plan:
    """Cut the half hour in which a pack is looked at after its last current: nothing is switched in it."""
    watch: Any = plan.steps[-1]
    if watch.title != "watch after the last current":
        return plan
    return replace(plan, steps=(*plan.steps[:-1], replace(watch, at_least_s=3.0)))


# A fault that ends a run ends it within the time for which its quantity may be missing, or by the next look over the
# settings at the latest; then an exchange with its new connection, and the way to off.
BLIND_S = {"load": 3.0, "supply": 3.0, "cells": 3.0, "voltmeter": 6.0, "temperature": 10.0}
STATE_LOST_S = LOOK_OVER_S + 1.0
# What a borne fault may add to the time for which outputs are on: a lost reading ends a step a beat or two later.
BORNE_S = 4.0
# The charge of a run that was not cut short is right within this share, or its step is flagged and says how far off it
# may be.
SHARE = 0.005
# A full disk or a failed sync ends the run, off, within this time; people are told.
DISK_S = 10.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a run ended, and whether a charge of it was flagged as uncertain."""

    how: str
    flagged: bool


def judge(
    sound: Outcome, outcome: Outcome, where: str, *, at_s: float | None, within_s: float, problem: str = ""
) -> Verdict:
    """Assert all that must hold after a fault at `at_s` (None: before there was a clock); return how the run ended.

    `within_s`: in what time after the fault every output must be off if the run ends because of it. `problem`: what
    may be said of the folder when it is read.
    """
    done = outcome.done
    how, run, limits = done.ending.how, done.run, done.plan.limits
    where = f"{where}: {done.ending}"
    assert how in ("finished", "stopped", "tripped"), where
    assert how in (sound.done.ending.how, "tripped"), where
    assert "load and supply on together" not in [what for _, what in done.whole_journal], where
    assert outputs_at_the_end(done) == set(), where
    after = [off_s for _, off_s in outcome.stretches if at_s is None or off_s > at_s]
    flagged = False
    if how != "tripped":
        assert outcome.on_s <= sound.on_s + BORNE_S, f"{where}; on for {outcome.on_s:g} s"
        flagged = charge_is_right(done, where)
    elif at_s is not None and after:
        assert max(after) - at_s <= within_s, f"{where}; off {max(after) - at_s:g} s after the fault"
    witness = next(iter(done.bench.bays.values())).witness
    assert limits.group_low_v <= witness.lowest_group_v, where
    assert witness.highest_group_v <= limits.group_high_v, where
    if done.guardian.armed:
        assert bool(done.guardian.disarmed) == done.off_confirmed, f"{where}; disarmed {done.guardian.disarmed}"
    assert run.problems in ([], *([[problem]] if problem else [])), f"{where}: {run.problems}"
    assert [sample.sequence for sample in run.samples] == list(range(1, outcome.rows + 1)), where
    assert (run.ending.how, run.ending.why) == (how, done.ending.why), where
    assert len(done.ending.why) > 10, where
    assert "fault of this program" not in done.ending.why, where
    if how == "tripped":
        assert [event["reason"] for event in run.events_named("tripped")] == [done.ending.why], where
    return Verdict(how, flagged)


def charge_is_right(done: Done, where: str) -> bool:
    """Assert that each direction's charge is the simulator's within 0.5 %, or a step is flagged and the rest bounded.

    Returns whether one is flagged. A flag of a charge excuses no discharge, and none excuses more than it says.
    """
    last, witness = done.run.samples[-1], next(iter(done.bench.bays.values())).witness
    kinds = {step.number: step.kind for step in done.plan.steps}
    flagged = {
        "charge" if kinds[event["step"]] == "charge" else "discharge"
        for event in done.run.events_named("flag")
        if str(event["text"]).startswith("charge: ")
    }
    [counted] = done.run.events_named("counted")
    assert counted["unmeasured_s"] == 0.0, where
    for direction, counted_ah, true_ah in (
        ("charge", last.charging_ah, witness.charged_ah),
        ("discharge", last.discharging_ah, witness.discharged_ah - done.checked.drawn_ah),
    ):
        allowed_ah = SHARE * true_ah + (counted["blurred_ah"] if direction in flagged else 0.0)
        words = f"{where}; {direction} {counted_ah:g} Ah, in truth {true_ah:g} Ah, allowed {allowed_ah:g} Ah off"
        assert abs(counted_ah - true_ah) <= allowed_ah, words
    return bool(flagged)


@functools.cache
def sound_round(name: str) -> tuple[Outcome, int, int]:
    """Return the round without a fault, and how many exchanges and operations of the disk it has."""
    with tempfile.TemporaryDirectory() as folder:
        exchanges, disk = Exchanges(None), NthDisk(None)
        return run_round(Path(folder), name, exchanges, disk), exchanges.count, disk.count


def judge_exchange(case: tuple[str, How, int]) -> Verdict:
    """Run a round with its n-th exchange spoiled; return what became of it, or fail."""
    name, how, nth = case
    exchanges = Exchanges(nth, how)
    with tempfile.TemporaryDirectory() as folder:
        outcome = run_round(Path(folder), name, exchanges)
    where = f"round {name}, exchange {nth} ({exchanges.spoiled}), {how.value}"
    assert exchanges.spoiled is not None, where
    role = exchanges.spoiled[0].partition("/")[2].split()[0]
    notice_s = STATE_LOST_S if how in (How.REBOOT, How.HELD) and role in ("load", "supply") else BLIND_S[role]
    if not (how is How.STRANGER and role in ("load", "supply")):
        assert outcome.done.off_confirmed, f"{where}: {outcome.done.ending}"
    return judge(sound_round(name)[0], outcome, where, at_s=exchanges.at_s, within_s=notice_s + WAY_TO_OFF_S)


def judge_disk(case: tuple[str, Bad, int]) -> Verdict:
    """Run a round with the n-th operation of its record failing; return what became of it, or fail."""
    name, bad, nth = case
    disk, told = NthDisk(nth, bad), Told()
    with tempfile.TemporaryDirectory() as folder:
        outcome = run_round(Path(folder), name, Exchanges(None), disk, told)
    where = f"round {name}, operation {nth} of the record ({disk.spoiled}), {bad.value}"
    assert disk.at_s is not None, where
    assert outcome.done.off_confirmed, where
    # A file whose sync failed is not touched any more: a second sync may report success for what is lost.
    assert disk.misused == [], where
    # If an events file does not even get its first line, all events stand in the reserve, and an empty file is left.
    empty = "events.jsonl: empty; torn before its first line was written"
    verdict = judge(sound_round(name)[0], outcome, where, at_s=disk.at_s, within_s=DISK_S, problem=empty)
    if verdict.how == "tripped":
        assert told.ends == [("tripped", outcome.done.ending.why, True)], where
    return verdict
