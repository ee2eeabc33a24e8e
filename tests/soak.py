"""Days of the service with two bays on virtual time, with faults at random, and what they leave behind in the process.

A person stands in: puts tests into the lists, starts them, and after a trip looks, acknowledges and goes on.
"""

import asyncio
import gc
import os
import random
import shutil
import tempfile
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from benchwarden.daemon.planning import confirmed
from benchwarden.daemon.serving.waiting_list import GOING_ON, Stand
from benchwarden.profiles.pack import read_pack, resolved
from benchwarden.results.folder import read_run
from benchwarden.simulators import clock
from benchwarden.simulators.endpoint import Faults
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.supply import SupplyDevice
from tests.extent import SEED
from tests.service_bench import Serving, serving
from tests.test_bay_faults import HERON
from tests.virtual_bench import on_virtual_time

# Samples are recorded every ten seconds; the bay is looked at and judged each second all the same.
CYCLE = """
title = "Up and down"
[[step]]
do = "charge"
current = "1C"
taper = "0.5C"
every = "10 s"
[[step]]
do = "rest"
at_least = "1 min"
every = "10 s"
[[step]]
do = "discharge"
power = "2C"
at_most = "8 min"
every = "10 s"
stop_at = { group_voltage = "discharge cut-off" }
"""
REST = """
title = "Rest"
[[step]]
do = "rest"
at_least = "10 min"
every = "10 s"
"""
SHORT_S = 0.6
"""A load or supply is broken for no longer: off is confirmed within 2 s, or the guardian takes over and ends all."""
LONG_S = 6.0
BETWEEN_S = (120.0, 1200.0)
PATIENCE_S = 0.05
"""Real seconds for which virtual time waits for an answer that never comes; both ends are in this process."""
ROOM_BYTES = 300_000_000
LOG_LENGTH = 500  # of what the simulated instruments were sent, so that the witness does not grow

FAULTS: dict[str, Callable[[Faults], None]] = {
    "late": lambda faults: setattr(faults, "hold_reply_s", 0.8),
    "mute": lambda faults: setattr(faults, "mute", True),
    "deaf": lambda faults: setattr(faults, "deaf", True),
    "cut": lambda faults: setattr(faults, "drop_connection", True),
    "garbage": lambda faults: setattr(faults, "garbage", "?;-,;1..2"),
    "overload": lambda faults: setattr(faults, "garbage", "9.9E37"),
    "frozen": lambda faults: setattr(faults, "frozen", True),
}


@dataclass
class Soaked:
    """What was done and what is left: MB of memory, descriptors and threads after warming up and at the end."""

    hours: float
    runs: int = 0
    rows: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    endings: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)
    before: tuple[float, int, int] = (0.0, 0, 0)
    after: tuple[float, int, int] = (0.0, 0, 0)

    @property
    def growth_mb(self) -> float:
        """By how much the process has grown."""
        return self.after[0] - self.before[0]


def left_behind() -> tuple[float, int, int]:
    """Return resident memory (MB), open descriptors and threads of this process."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6, len(os.listdir("/proc/self/fd")), threading.active_count()


def soak(hours: float) -> Soaked:
    """Let the service work for so many hours of virtual time; fails where something does not hold."""
    soaked, patience_s = Soaked(hours), clock.PATIENCE_S
    clock.PATIENCE_S = PATIENCE_S
    try:
        with tempfile.TemporaryDirectory(dir=_in_memory()) as folder:
            on_virtual_time(_soak(Path(folder), soaked))
    finally:
        clock.PATIENCE_S = patience_s
    return soaked


def _in_memory() -> str | None:
    """Return a folder in memory, if there is one with room: a busy disk makes this test long, and shows nothing."""
    place = "/dev/shm"
    try:
        return place if os.access(place, os.W_OK) and shutil.disk_usage(place).free > ROOM_BYTES else None
    except OSError:
        return None


async def _soak(folder: Path, soaked: Soaked) -> None:
    loop = asyncio.get_running_loop()
    end_s = loop.time() + 3600.0 * soaked.hours
    (folder / "cycle.toml").write_text(CYCLE)
    (folder / "quiet.toml").write_text(REST)
    for name in ("sanderling", "turnstone"):
        text = HERON.replace("Heron", name.capitalize())
        (folder / f"{name}.toml").write_text(text)
        pack = resolved(read_pack(text))
        confirmed.confirm(folder, pack, "2026-11-25T18:00:00Z")
        confirmed.charged_attended(folder, pack, f"{name}/its first")
    async with serving(folder, soc=0.6) as one:
        one.after_each.append(lambda run: _read_and_remove(run, soaked))
        for placed in one.simulated.instruments.values():
            placed.endpoint.log = type(placed.endpoint.log)(maxlen=LOG_LENGTH)
        tasks = [asyncio.create_task(_person(one, bay, place)) for place, bay in enumerate(("left", "middle"))]
        tasks.append(asyncio.create_task(_mishaps(one, soaked)))
        tasks.append(asyncio.create_task(_witness(one)))
        try:
            while loop.time() < end_s:
                await asyncio.sleep(60.0)
                for task in tasks:
                    if task.done():
                        task.result()
                assert not soaked.problems, soaked.problems
                if soaked.before[0] == 0.0 and loop.time() > end_s - 0.75 * 3600.0 * soaked.hours:
                    soaked.before = left_behind()
            soaked.after = left_behind()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


async def _person(one: Serving, bay: str, place: int) -> None:
    """Keep a bay busy: one pack's list after the other's; look after a trip, acknowledge, go on."""
    packs = ("sanderling", "turnstone")
    keeper = one.service.bays[bay]
    while True:
        await asyncio.sleep(5.0)
        stand = keeper.list.stand
        if stand in GOING_ON:
            continue
        if stand is Stand.TRIPPED:
            for device in (
                placed.endpoint.device for placed in one.simulated.instruments.values() if placed.bay == bay
            ):
                if isinstance(device, LoadDevice | SupplyDevice):
                    device.clear_trip()  # at the instrument, as the program asks a person to
            await one.ask("acknowledge", bay=bay)  # refused while off is not confirmed: then again in five seconds
        elif keeper.list.waiting:
            await one.start(bay)
        else:
            place += 1
            added = await one.add(bay, packs[place % 2], "cycle", "quiet", "cycle")
            assert added.get("ok"), added


async def _mishaps(one: Serving, soaked: Soaked) -> None:
    """Break one instrument after the other for a while, drawn from the seed."""
    drawn = random.Random(f"{SEED} soak")
    keys = [key for key in one.simulated.instruments if key.split("/")[0] in ("left", "middle")]
    while True:
        await asyncio.sleep(drawn.uniform(*BETWEEN_S))
        key, kind = drawn.choice(keys), drawn.choice(list(FAULTS))
        if kind == "cut" and one.simulated.instruments[key].instrument.link == "serial":
            continue  # a simulated serial port that was pulled stays away
        endpoint = one.simulated.instruments[key].endpoint
        FAULTS[kind](endpoint.faults)
        soaked.faults[kind] += 1
        switched = key.endswith(("load", "supply"))
        await asyncio.sleep(drawn.uniform(0.1, SHORT_S if switched else LONG_S))
        endpoint.faults = Faults()


async def _witness(one: Serving) -> None:
    """Look at the bench itself each second: never both on, no group beyond its limits, on only while a test runs."""
    idle_s = dict.fromkeys(one.simulated.bays, 0.0)
    while True:
        await asyncio.sleep(1.0)
        one.guardian.beats.clear()
        del one.board.notes[:-20]
        one.over.clear()
        for name, bay in one.simulated.bays.items():
            on = [load.on for load in bay.loads] + [bool(bay.supply and bay.supply.on)]
            assert sum(on) <= 1, f"{name}: load and supply on together"
            assert bay.witness.lowest_group_v >= 2.2, name
            assert bay.witness.highest_group_v <= 4.25, name
            running = one.service.bays[name].list.stand in GOING_ON
            idle_s[name] = idle_s[name] + 1.0 if any(on) and not running else 0.0
            assert idle_s[name] <= 2.0, f"{name}: on, but nothing runs: {one.board.notes}"
            bay.journal.clear()


def _read_and_remove(folder: Path, soaked: Soaked) -> None:
    """Judge what a run left, then make room; also for the rests between two tests, which nobody is told of."""
    run = read_run(folder)
    soaked.problems += run.problems
    if [sample.sequence for sample in run.samples] != list(range(1, len(run.samples) + 1)):
        soaked.problems.append(f"{folder}: rows are missing")
    if run.ending.how == "tripped":
        said = [event["reason"] for event in run.events_named("tripped")]
        if said != [run.ending.why] or "fault of this program" in run.ending.why:
            soaked.problems.append(f"{folder}: ended by {run.ending.why!r}, its events say {said}")
    soaked.runs += 1
    soaked.rows += len(run.samples)
    soaked.endings[run.ending.how] += 1
    shutil.rmtree(folder)
    for rest in folder.parent.glob("*_cooling*"):
        if not (rest / "reserve.bin").exists():  # while a run goes on, it has its reserve
            shutil.rmtree(rest)
